"""Golden waveforms: the first shot of each measurement of a run that went well, to compare later ones with."""

from __future__ import annotations

import re
from pathlib import Path

from wavewright.errors import StorageFault
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.running.outcome import Outcome

_NOT_IN_NAMES = re.compile(r'[\x00-\x1f%/\\<>:"|?*]')  # of files, on one of the systems, and our own sign for them


def keep_golden(outcome: Outcome, folder: Path) -> list[Path]:
    """Write `<measurement>.h5` for each measurement; a recipe names it after `with:` or `around:`.

    What no file name has on every system, a colon say, is written as `%` and its number.

    Raises
    ------
    StorageFault : the folder does not take them, or takes two measurements for one whose names differ in case only.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise StorageFault(f"golden waveforms cannot be kept: {fault.strerror}", where=str(folder)) from fault
    kept: list[Path] = []
    for label, shots in outcome.captures.items():
        path = folder / f"{_NOT_IN_NAMES.sub(lambda sign: f'%{ord(sign[0]):02X}', label)}.h5"
        if path.exists() and (other := next((one for one in kept if one.samefile(path)), None)):
            raise StorageFault(
                f"the golden waveform of `{label}` would replace `{other.name}`: the names differ in case only",
                where=str(path),
                do="rename one of the two measurements",
            )
        write_waveforms(path, shots[0])
        kept.append(path)
    return kept
