"""`wavewright logbook`: the runs that were made: find, show, trend, export, verify."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.completion import complete_reading, complete_run
from wavewright.cli.options import LogbookAt
from wavewright.cli.output import AsJson, console, print_json
from wavewright.cli.run_filter import (
    BatchName,
    Part,
    RecipeName,
    Serial,
    Since,
    Until,
    VerdictWord,
    WithSimulated,
    real_runs,
    run_filter,
)
from wavewright.cli.run_table import show_runs, show_unfinished
from wavewright.errors import Misuse, StorageFault

if TYPE_CHECKING:
    from wavewright.logbook.queries import RunEntry
    from wavewright.logbook.verification import Chain

commands = typer.Typer(help="The runs that were made: find, show, trend, export, verify.", no_args_is_help=True)

Run = Annotated[str, typer.Argument(help="Id of a run, its beginning, or `last`.", autocompletion=complete_run)]
EvidenceFolder = Annotated[Path, typer.Option("--out", help="Folder of the evidence, as for `run`.")]
Operator = Annotated[str | None, typer.Option("--operator", help="Only runs of this operator.")]
Station = Annotated[str | None, typer.Option("--station", help="Only runs of this station.")]


@commands.command("list")
def list_runs(
    most: Annotated[int, typer.Option(min=1, help="Maximum number of runs, the newest first.")] = 50,
    unfinished: Annotated[
        bool, typer.Option("--unfinished", help="List the runs that have no outcome: still running, or interrupted.")
    ] = False,
    out: EvidenceFolder = Path("outcomes"),
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """List the newest runs, or those that were interrupted.

    Interrupted runs are looked for in the folder of the evidence.
    """
    if unfinished:
        show_unfinished(out, as_json)
        return
    show_runs(_entries(logbook, most), as_json)


@commands.command()
def find(
    *,
    part: Part = None,
    serial: Serial = None,
    recipe: RecipeName = None,
    verdict: VerdictWord = None,
    operator: Operator = None,
    station: Station = None,
    batch_name: BatchName = None,
    since: Since = None,
    until: Until = None,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Find runs by part, serial number, verdict and the like.

    All filters that are given must match.
    """
    which = run_filter(
        part=part, serial=serial, recipe=recipe, verdict=verdict, operator=operator, station=station,
        batch=batch_name, since=since, until=until,
    )  # fmt: skip
    show_runs(_entries(logbook, None, which), as_json)


@commands.command()
def show(
    run: Run,
    *,
    statistics: Annotated[
        bool, typer.Option("--statistics", help="Show the statistics over the shots of each result.")
    ] = False,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> int:
    """Show one run in full; the exit status is that of its verdict."""
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.outcome_files import outcome_as_json
    from wavewright.reporting.console import print_outcome, print_statistics

    with Logbook.existing(logbook) as book:
        outcome = book.outcome(run)
    if as_json:
        print_json({**outcome_as_json(outcome), "id": outcome.id})
    else:
        print_outcome(outcome, console())
        if statistics:
            print_statistics(outcome, console())
    return outcome.verdict.exit_status


@commands.command()
def trend(
    reading: Annotated[
        str, typer.Argument(metavar="READING", help="Such as `rail_noise.ripple`.", autocompletion=complete_reading)
    ],
    *,
    part: Part = None,
    serial: Serial = None,
    recipe: RecipeName = None,
    verdict: VerdictWord = None,
    since: Since = None,
    until: Until = None,
    simulated: WithSimulated = False,
    out: Annotated[Path | None, typer.Option(help="Draw it into this file too, an .html file.")] = None,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Show the trend of one reading over time.

    It is drawn in the terminal and, with --out, as a page.
    """
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.queries import points
    from wavewright.logbook.queries import trend as trend_of
    from wavewright.reporting.trend_text import trend_lines

    which = run_filter(part=part, serial=serial, recipe=recipe, verdict=verdict, since=since, until=until)
    with Logbook.existing(logbook) as book:
        which = real_runs(book, which, simulated=simulated)
        found = trend_of(book, reading, which)
        newest = points(book, reading, which, most=5000) if out is not None else []
    if as_json:
        print_json(found.as_json())
    else:
        print(*trend_lines(found), sep="\n")
    if out is not None:
        from wavewright.reporting.trend_page import write_trend_page

        write_trend_page(found, newest, out)


@commands.command()
def export(
    file: Annotated[
        Path, typer.Argument(help="`.csv`, `.h5`, `.parquet`: one row per reading; `.jsonl`: one run per line.")
    ],
    *,
    part: Part = None,
    serial: Serial = None,
    recipe: RecipeName = None,
    verdict: VerdictWord = None,
    batch_name: BatchName = None,
    since: Since = None,
    until: Until = None,
    logbook: LogbookAt = None,
) -> None:
    """Write runs to a file for other programs."""
    from wavewright.cli.progress_bar import ProgressBar
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.exchange import export as export_to

    which = run_filter(
        part=part, serial=serial, recipe=recipe, verdict=verdict, batch=batch_name, since=since, until=until
    )
    things = "runs" if file.suffix == ".jsonl" else "readings"
    with Logbook.existing(logbook) as book, ProgressBar(console(stderr=True), things) as bar:
        count = export_to(book, file, which, say=lambda done, total: bar.update("writing", done, total))
    print(f"{file}: {count} {things}")


@commands.command("import")
def import_runs(
    source: Annotated[Path, typer.Argument(help="A `.jsonl` file, an evidence folder, or a folder of such.")],
    station: Annotated[str, typer.Option(help="Station of the runs in evidence folders.")] = "",
    logbook: LogbookAt = None,
) -> None:
    """Import runs of another logbook, or of evidence folders.

    Runs already present are skipped. Each run is judged again, from its captures or else its values. If a verdict does
    not follow from them, or a key is wrong, nothing is entered.
    """
    from wavewright.cli.progress_bar import ProgressBar
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.intake import import_outcomes

    with Logbook(logbook) as book, ProgressBar(console(stderr=True), "runs") as bar:
        found = import_outcomes(book, source, station=station, say=bar.update)
    for note in found.notes:
        print(note, file=sys.stderr)
    cut_off = f"; {found.cut_off} had been interrupted" if found.cut_off else ""
    print(f"{found.new} runs entered, {found.known} already present{cut_off}")


@commands.command("forward")
def forward_runs(
    *,
    out: Annotated[Path, typer.Option(help="Folder of the evidence that has the spool beside it.")] = Path("outcomes"),
    whatever: Annotated[
        bool, typer.Option("--all", help="Enter outcomes that wait for another logbook into this one too.")
    ] = False,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> int:
    """Enter the outcomes that wait for the logbook.

    While the logbook is not available, outcomes wait in the folder `spool` of the evidence. Each is entered once.
    Every run with the logbook enters them too. Exit status 3 if one cannot be entered.
    """
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.spool import forward, spool_beside

    faults: list[str] = []
    counts: dict[str, Any] = {"entered": 0, "known": 0, "elsewhere": {}}
    with Logbook(logbook) as book:
        for spool in dict.fromkeys((spool_beside(out), spool_beside(None))):
            found = forward(book, spool, whatever=whatever)
            counts["entered"] += found.entered
            counts["known"] += found.known
            for name, count in found.elsewhere.items():
                counts["elsewhere"][name] = counts["elsewhere"].get(name, 0) + count
            faults += found.faults
    if as_json:
        print_json({**counts, "faults": faults})
    else:
        print(f"{counts['entered']} runs entered, {counts['known']} already present")
        for name, count in counts["elsewhere"].items():
            print(f"{count} wait for another logbook: {name}")
        for fault in faults:
            print(f"stays in the spool: {fault}", file=sys.stderr)
    return 3 if faults else 0


@commands.command()
def rights(
    *,
    station: Annotated[list[str] | None, typer.Option(metavar="USER", help="A user that enters runs.")] = None,
    office: Annotated[list[str] | None, typer.Option(metavar="USER", help="A user that only reads.")] = None,
    logbook: LogbookAt = None,
) -> None:
    """Lay out a logbook in PostgreSQL, and print the SQL for least rights.

    Run it as the owner of the database, and give what it prints to `psql`. A station's user can then enter runs and
    read them, and change or delete none; an office's user can read.
    """
    from wavewright.logbook.address import read_address
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.rights import grants

    address = read_address(logbook)
    if address.is_file:
        raise Misuse(
            f"logbook `{address.shown}` is a file: its rights are those of the file",
            expected="--logbook with the URL of a PostgreSQL database",
        )
    statements = list(grants(address.url.database or "", stations=station or (), offices=office or ()))
    Logbook(logbook).close()
    for line in statements:
        print(line)


@commands.command()
def waveforms(
    run: Run,
    out: Annotated[Path, typer.Option(help="Folder for one file per measurement and shot; it is made.")],
    kind: Annotated[str, typer.Option("--format", help="File extension: csv, wav, h5, npz, dif.")] = "csv",
    logbook: LogbookAt = None,
) -> None:
    """Write the captures of a run as files that other programs read."""
    from wavewright.cli.progress_bar import ProgressBar
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.formats.catalogue import write_waveforms
    from wavewright.logbook.group_names import group_name

    with Logbook.existing(logbook) as book:
        outcome = book.outcome(run)
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise StorageFault(
                f"the folder cannot be made: {fault.strerror}", where=str(out), do="name another --out"
            ) from fault
        count, total = 0, sum(map(len, outcome.captures.values()))
        with ProgressBar(console(stderr=True), "files") as bar:
            for label, shots in outcome.captures.items():
                for number, shot in enumerate(shots, 1):
                    bar.update("writing", count, total)
                    write_waveforms(out / f"{group_name(label)}-{number:03}.{kind.removeprefix('.')}", shot)
                    count += 1
    print(f"{out}: {count} files")


@commands.command()
def verify(
    *,
    head: Annotated[
        list[str] | None,
        typer.Option(help="Head of a chain, as printed earlier and noted elsewhere; may be repeated."),
    ] = None,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> int:
    """Check that every row and every capture is unchanged.

    Exit status 1 if one is not. Each station has a chain of hashes over its runs. Rows that were changed, deleted or
    inserted are found and named. A chain that was recomputed as a whole is detected only if you noted its head
    elsewhere: give it with --head.
    """
    from wavewright.cli.progress_bar import ProgressBar
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.verification import verify as verify_all

    with Logbook.existing(logbook) as book, ProgressBar(console(stderr=True), "captures") as bar:
        found = verify_all(book, known_heads=head or (), say=lambda done, total: bar.update("checking", done, total))
    if as_json:
        print_json(asdict(found))
    else:
        state = f"{len(found.flaws)} flaws" if found.flaws else "all intact"
        print(f"checked {found.runs} runs, {found.texts} texts and {found.captures} captures: {state}")
        for chain in found.chains:
            print(*chain_lines(chain), sep="\n")
        for flaw in found.flaws:
            print(f"{flaw.what}{'; runs ' if flaw.runs else ''}{', '.join(flaw.runs)}")
    return 1 if found.flaws else 0


@commands.command()
def prune(
    *,
    before: Annotated[str | None, typer.Option(help="Delete the runs before this UTC time.")] = None,
    part: Part = None,
    serial: Serial = None,
    recipe: RecipeName = None,
    verdict: VerdictWord = None,
    unfinished: Annotated[
        bool, typer.Option("--unfinished", help="Delete interrupted runs too, with the shots that they have.")
    ] = False,
    out: EvidenceFolder = Path("outcomes"),
    yes: Annotated[bool, typer.Option("--yes", help="Delete; without it, only count.")] = False,
    logbook: LogbookAt = None,
) -> None:
    """Delete runs, and captures that no run refers to.

    What killed runs have left is deleted too. Without --yes it only says what would be deleted. Interrupted runs that
    have shots stay: `import` enters them.
    """
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.maintenance import prune as prune_all
    from wavewright.logbook.unfinished import clear

    is_named = any(word is not None for word in (before, part, serial, recipe, verdict))
    which = run_filter(part=part, serial=serial, recipe=recipe, verdict=verdict, until=before) if is_named else None
    with Logbook.existing(logbook) as book:
        found = prune_all(book, which, dry=not yes)
    left = clear(out, with_shots=unfinished, dry=not yes)
    word = "deleted" if yes else "would be deleted; --yes deletes them"
    print(f"{found.runs} runs and {found.files} files of captures, {found.size / 1e6:.1f} MB, {word}")
    if left.folders:
        print(f"{left.folders} unfinished runs, {left.size / 1e6:.1f} MB, {word}")
    if left.kept:
        print(
            f"{left.kept} interrupted runs have shots: `wavewright logbook import {out}` enters them, "
            "--unfinished deletes them"
        )


def chain_lines(chain: Chain) -> Iterator[str]:
    """What is to be known about the chain of a station, its head included."""
    station = f"station `{chain.station}`" if chain.station else "runs without a station"
    yield f"{station}: {chain.length} links since {chain.begun or 'an unknown time'}, head {chain.sha256}"
    if chain.taken_up:
        yield f"  {chain.taken_up} runs were there before: earlier changes to them cannot be detected"
    if chain.taken_out:
        yield f"  {chain.taken_out} runs were deleted by `wavewright logbook prune`"


def _entries(logbook: str | None, most: int | None, which: object = None) -> list[RunEntry]:
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.queries import Filter, entries

    assert which is None or isinstance(which, Filter)
    with Logbook.existing(logbook) as book:
        return entries(book, which, most=most)
