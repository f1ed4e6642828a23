"""`wavewright validate FILE...`: files of any kind that people write, every fault with file, line and column."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.output import AsJson, print_json
from wavewright.errors import FileFault, WavewrightError

if TYPE_CHECKING:
    from wavewright.waveform import Waveform


def validate(
    files: Annotated[
        list[Path],
        typer.Argument(
            help="Recipes, benches, profiles, corrections, boards, simulated instruments, fault files, in any mixture."
        ),
    ],
    as_json: AsJson = False,
) -> int:
    """Check files without touching an instrument.

    All faults of all files are reported. For a simulated bench the board, the instruments and the fault files are
    checked too. If recipes are given together with one bench, what the bench lacks is reported at the line of the
    recipe.
    """
    from wavewright.file_kinds import FILE_KINDS, KindOfFile, check_file, check_together

    faults: dict[str, list[FileFault]] = {}
    for file in files:
        try:
            kind = check_file(file, read_stored=_read_stored)
        except FileFault as fault:
            faults[str(file)] = list(fault.faults or (fault,))
        else:
            faults[str(file)] = []
            if not as_json:
                print(f"{file}: valid {FILE_KINDS[kind].title}")
                if kind is KindOfFile.BENCH:
                    print(*(f"  a run on it loads {what}" for what in _loaded_code(file)), sep="\n")
    if not any(faults.values()):
        for name, found in check_together(files, read_stored=_read_stored).items():
            faults[name] += found
    if as_json:
        print_json({name: [_plain(fault) for fault in found] for name, found in faults.items()})
    else:
        for one in (one for found in faults.values() for one in found):
            print(one, file=sys.stderr)
    return WavewrightError.exit_status if any(faults.values()) else 0


def _loaded_code(file: Path) -> Iterator[str]:
    from wavewright.instruments.bench_file import load_bench
    from wavewright.instruments.loaded_code import loaded_code

    return loaded_code(load_bench(file))


def _read_stored(path: Path, channel: str) -> Waveform:
    from wavewright.logbook.formats.catalogue import read_stored  # only for a recipe that plays a stored waveform

    return read_stored(path, channel)


def _plain(fault: FileFault) -> dict[str, str]:
    return {"where": str(fault.where), "what": fault.what, "expected": fault.expected, "do": fault.do}
