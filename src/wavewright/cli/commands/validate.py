"""`wavewright validate FILE...`: files of any kind that people write, every fault with file, line and column."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.output import AsJson, print_json
from wavewright.cli.quick_start import start_quickly
from wavewright.errors import FileFault, WavewrightError

if TYPE_CHECKING:
    from wavewright.running.fitness.finding import FitnessFinding
    from wavewright.waveform import Waveform


def validate(
    files: Annotated[
        list[Path],
        typer.Argument(
            help="Recipes, benches, profiles, corrections, boards, simulated instruments, fault files, in any mixture."
        ),
    ],
    *,
    bench: Annotated[Path | None, typer.Option(help="A bench file that the recipes are to run on.")] = None,
    as_json: AsJson = False,
) -> int:
    """Check files without touching an instrument.

    All faults of all files are reported. For a simulated bench the board, the instruments and the fault files are
    checked too. If recipes are given together with one bench, what the bench lacks is reported at the line of the
    recipe, and what speaks against the set-up for each limit is listed.
    """
    start_quickly()
    from wavewright.file_kinds import FILE_KINDS, KindOfFile, check_file, check_together

    files = [*files, *([] if bench is None or bench in files else [bench])]
    faults: dict[str, list[FileFault]] = {}
    fitness: Mapping[str, tuple[FitnessFinding, ...]] = {}
    for file in files:
        try:
            kind = check_file(file, read_stored=_read_stored)
        except FileFault as fault:
            faults[str(file)] = list(fault.faults or (fault,))
        else:
            faults[str(file)] = []
            gc.enable()  # what the first file needed is loaded
            if not as_json:
                print(f"{file}: valid {FILE_KINDS[kind].title}")
                if kind is KindOfFile.BENCH:
                    print(*(f"  a run on it loads {what}" for what in _loaded_code(file)), sep="\n")
    if not any(faults.values()):
        together = check_together(files, read_stored=_read_stored)
        fitness = together.fitness
        for name, found in together.faults.items():
            faults[name] += found
    if as_json:
        plain: dict[str, object] = {name: [_plain(fault) for fault in found] for name, found in faults.items()}
        if fitness:
            plain["fitness"] = {name: [one.as_json() for one in found] for name, found in fitness.items()}
        print_json(plain)
    else:
        for name, findings in fitness.items():
            if faults[name]:  # these say it already
                continue
            print(*(f"{one.place or name}: {one.told}" for one in findings), sep="\n", end="\n" if findings else "")
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
