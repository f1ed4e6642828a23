"""Golden waveforms: the first shot of each measurement of a run that went well, to compare later ones with."""

from __future__ import annotations

from pathlib import Path

from wavewright.errors import StorageFault
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.logbook.group_names import group_name
from wavewright.running.outcome import Outcome


def keep_golden(outcome: Outcome, folder: Path) -> list[Path]:
    """Write `<measurement>.h5` for each measurement; a recipe names it after `with:` or `around:`.

    Raises
    ------
    StorageFault : the folder does not take them.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise StorageFault(f"golden waveforms cannot be kept: {fault.strerror}", where=str(folder)) from fault
    kept = []
    for label, shots in outcome.captures.items():
        path = folder / f"{group_name(label)}.h5"
        write_waveforms(path, shots[0])
        kept.append(path)
    return kept
