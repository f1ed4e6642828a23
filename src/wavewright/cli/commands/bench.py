"""`wavewright bench`: the addresses that VISA lists, the instruments that answer, the profiles that fit."""

from __future__ import annotations

import sys
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.bench_choice import chosen_bench
from wavewright.cli.completion import complete_profile
from wavewright.cli.options import Bench
from wavewright.cli.output import AsJson, console, print_json
from wavewright.durable_files import write_whole
from wavewright.errors import Misuse, StorageFault, WavewrightError

if TYPE_CHECKING:
    import pyvisa

    from wavewright.instruments.scan import ScannedAddress
    from wavewright.running.outcome import CalibrationNote

NONE_IN_SIGHT = "no instrument found; raw sockets are never listed, {what}"
commands = typer.Typer(help="Find instruments, identify them, find their profiles.", no_args_is_help=True)

Library = Annotated[
    str | None,
    typer.Option(help="A VISA library: @py, @ivi, @sim, a path, FILE@sim; if left out: the system's, or @py."),
]
OfBench = Annotated[Path | None, typer.Option("--bench", help="Use the library of this bench file.")]


@commands.command("list")
def list_addresses(library: Library = None, bench: OfBench = None, as_json: AsJson = False) -> None:
    """List the addresses that a VISA library finds; nothing is sent."""
    from contextlib import closing

    from wavewright.instruments.library import list_addresses as addresses_of

    with closing(_manager(library, bench)) as manager:
        seen = addresses_of(manager)
    if as_json:
        print_json(list(seen))
    else:
        print(*seen or [NONE_IN_SIGHT.format(what="name them to `bench scan`")], sep="\n")


@commands.command()
def scan(
    addresses: Annotated[list[str] | None, typer.Argument(help="Addresses; all that VISA finds if left out.")] = None,
    *,
    library: Library = None,
    bench: OfBench = None,
    profile: Annotated[
        list[str] | None,
        typer.Option(
            help="A profile file that may fit, in addition to the shipped ones; its identity query is sent too.",
            autocompletion=complete_profile,
        ),
    ] = None,
    write: Annotated[Path | None, typer.Option(help="Write a bench file of what was found.")] = None,
    as_json: AsJson = False,
) -> int:
    """Identify each instrument and find the profiles that fit.

    Only queries are sent; nothing is set. Exit status 3 if no instrument answers.
    """
    from contextlib import closing

    from wavewright.instruments.profile import load_profile
    from wavewright.instruments.scan import bench_text, shipped
    from wavewright.instruments.scan import scan as scan_all

    if write is not None and write.exists():
        raise Misuse(f"`{write}` exists already", do="name another file, or move that one away")
    own = [load_profile(file) for file in profile or ()]
    found: list[ScannedAddress] = []
    with closing(_manager(library, bench)) as manager:
        for one in scan_all(manager, addresses=addresses or None, profiles=[*own, *shipped()]):
            found.append(one)
            if not as_json:
                print(f"{one.resource}: {one.identity or one.fault}{_fitting(one)}", flush=True)
    if as_json:
        print_json([_plain(one) for one in found])
    if write is not None:
        text = bench_text(found, library=library or "", profiles=own)
        try:
            write_whole(write, text)
        except OSError as fault:
            raise StorageFault(f"cannot be written: {fault.strerror or fault}", where=str(write)) from fault
    if not found and not as_json:
        print(NONE_IN_SIGHT.format(what="name them"))
    return WavewrightError.exit_status if all(one.is_silent for one in found) else 0


@commands.command()
def identify(bench: Bench = None, as_json: AsJson = False) -> int:
    """Identify each instrument of a bench file.

    Lists calibrations and corrections that are overdue. Exit status 3 if an instrument is missing, or not the one that
    its profile or its corrections are for.
    """
    from wavewright.instruments.bench import open_bench
    from wavewright.instruments.bench_file import load_bench
    from wavewright.running.calibration import calibration_notes, overdue_on

    file = load_bench(chosen_bench(bench))
    today = datetime.now(UTC).date()
    answers: dict[str, dict[str, str]] = {}
    for name, entry in file.instruments.items():
        answers[name] = {"resource": entry.resource, "identity": "", "fault": ""}
        try:
            with open_bench(file, [name], today=today) as opened:
                answers[name]["identity"] = opened.identities[name]
        except WavewrightError as fault:
            answers[name]["fault"] = str(fault)
    overdue, notes = overdue_on(file, today), calibration_notes(file, today)
    if as_json:
        print_json({name: {**answer, **_calibration(notes.get(name))} for name, answer in answers.items()})
    else:
        _print_table(answers, {name: note.words for name, note in notes.items()})
    for one in overdue:
        print(f"overdue: {one}", file=sys.stderr if as_json else sys.stdout)
    return WavewrightError.exit_status if any(answer["fault"] for answer in answers.values()) else 0


def _manager(library: str | None, bench: Path | None) -> pyvisa.ResourceManager:
    """The library that was named, or that of a bench file.

    Raises
    ------
    Misuse : both are named.
    """
    from wavewright.instruments.bench_file import load_bench
    from wavewright.instruments.library import open_manager
    from wavewright.instruments.usual_library import library_shown
    from wavewright.running.shipped_files import find_file

    if bench is not None and library is not None:
        raise Misuse("`--library` and `--bench`", expected="one of the two")
    if bench is None:
        named, manager = library, open_manager(library or "", folder=Path())
    else:
        file = load_bench(find_file(bench))
        named = file.grammar.library
        manager = open_manager(named, folder=file.folder, settings=file.simulation_settings())
    if not named:
        print(f"VISA library: {library_shown(manager)}", file=sys.stderr, flush=True)
    return manager


def _print_table(answers: dict[str, dict[str, str]], calibrations: dict[str, str]) -> None:
    """A row per instrument; one per probe, and a column, only where the bench says something about calibrations."""
    from wavewright.reporting.console_table import console_table, plain_cells

    table = console_table(("instrument", "address", "answer", *(["calibration"] if calibrations else [])))
    rows = [(name, answer["resource"], answer["identity"] or answer["fault"]) for name, answer in answers.items()]
    rows += [(name, "", "") for name in calibrations if name not in answers]
    for row in rows:
        table.add_row(*plain_cells(*row, *([calibrations.get(row[0], "")] if calibrations else [])))
    console().print(table)


def _calibration(note: CalibrationNote | None) -> dict[str, object]:
    """What a bench file says of the calibration of an instrument; nothing where it says nothing."""
    return {} if note is None else {"calibration": asdict(note)}


def _fitting(one: ScannedAddress) -> str:
    if one.is_silent:
        return ""
    return f" ({', '.join(one.profiles)})" if one.profiles else " (no profile fits)"


def _plain(one: ScannedAddress) -> dict[str, object]:
    return {
        "resource": one.resource,
        "identity": one.identity,
        "asked": one.asked,
        "profiles": list(one.profiles),
        "fault": one.fault,
    }
