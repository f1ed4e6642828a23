"""Upkeep of a logbook: what comes in, whether it is intact, who may do what, and what may go."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.options import CapturesAt, LogbookAt
from wavewright.cli.output import AsJson, console, print_json
from wavewright.cli.run_filter import Part, RecipeName, Serial, VerdictWord, run_filter
from wavewright.errors import Misuse, StorageFault

if TYPE_CHECKING:
    from wavewright.logbook.verification import Chain

EvidenceFolder = Annotated[Path, typer.Option("--out", help="Folder of the evidence, as for `run`.")]


def import_runs(
    source: Annotated[Path, typer.Argument(help="A `.jsonl` file, an evidence folder, or a folder of such.")],
    station: Annotated[str, typer.Option(help="Station of the runs in evidence folders.")] = "",
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
) -> None:
    """Import runs of another logbook, or of evidence folders.

    Runs already present are skipped. Each run is judged again, from its captures or else its values. If a verdict does
    not follow from them, or a key is wrong, nothing is entered.
    """
    from wavewright.cli.progress_bar import ProgressBar
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.intake import import_outcomes

    with Logbook(logbook, captures=captures) as book, ProgressBar(console(stderr=True), "runs") as bar:
        found = import_outcomes(book, source, station=station, say=bar.update)
    for note in found.notes:
        print(note, file=sys.stderr)
    cut_off = f"; {found.cut_off} had been interrupted" if found.cut_off else ""
    print(f"{found.new} runs entered, {found.known} already present{cut_off}")


def forward_runs(
    *,
    out: Annotated[Path, typer.Option(help="Folder of the evidence that has the spool beside it.")] = Path("outcomes"),
    whatever: Annotated[
        bool, typer.Option("--all", help="Enter outcomes that wait for another logbook into this one too.")
    ] = False,
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
    as_json: AsJson = False,
) -> int:
    """Enter what waits for the logbook, bring waiting captures.

    While the logbook is not available, outcomes wait in the folder `spool` of the evidence. Each is entered once.
    Every run with the logbook enters them too, and brings captures to a store that was away. Exit status 3 if one
    cannot be entered or brought.
    """
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.spool import forward
    from wavewright.logbook.spool_folder import spool_beside

    faults: list[str] = []
    counts: dict[str, Any] = {"entered": 0, "known": 0, "captures": 0, "elsewhere": {}}
    with Logbook(logbook, captures=captures) as book:
        for spool in dict.fromkeys((spool_beside(out), spool_beside(None))):
            found = forward(book, spool, whatever=whatever)
            counts["entered"] += found.entered
            counts["known"] += found.known
            for name, count in found.elsewhere.items():
                counts["elsewhere"][name] = counts["elsewhere"].get(name, 0) + count
            faults += found.faults
        try:
            counts["captures"] = book.codes.send_waiting()
        except StorageFault as away:
            faults.append(str(away))
    if as_json:
        print_json({**counts, "faults": faults})
    else:
        print(f"{counts['entered']} runs entered, {counts['known']} already present")
        if counts["captures"]:
            print(f"{counts['captures']} files of captures brought to {captures or 'their store'}")
        for name, count in counts["elsewhere"].items():
            print(f"{count} wait for another logbook: {name}")
        for fault in faults:
            print(f"stays in the spool: {fault}", file=sys.stderr)
    return 3 if faults else 0


def rights(
    *,
    station: Annotated[list[str] | None, typer.Option(metavar="USER", help="A user that enters runs.")] = None,
    office: Annotated[list[str] | None, typer.Option(metavar="USER", help="A user that only reads.")] = None,
    logbook: LogbookAt = None,
) -> None:
    """Print the SQL for least rights on a PostgreSQL logbook.

    An empty database is laid out. Run it as its owner, and give what it prints to `psql`. A station's user can then
    enter runs and read them, and change or delete none; an office's user can read.
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


def verify(
    *,
    head: Annotated[
        list[str] | None,
        typer.Option(help="Head of a chain, as printed earlier and noted elsewhere; may be repeated."),
    ] = None,
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
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

    with Logbook.existing(logbook, captures=captures) as book, ProgressBar(console(stderr=True), "captures") as bar:
        found = verify_all(book, known_heads=head or (), say=lambda done, total: bar.update("checking", done, total))
    if as_json:
        print_json(asdict(found))
    else:
        state = f"{len(found.flaws)} flaws" if found.flaws else "all intact"
        print(f"checked {found.runs} runs, {found.texts} texts and {found.captures} captures: {state}")
        if found.pruned:
            print(f"{found.pruned} files of captures were deleted by a rule of `wavewright logbook prune`")
        for chain in found.chains:
            print(*chain_lines(chain), sep="\n")
        for flaw in found.flaws:
            print(f"{flaw.what}{'; runs ' if flaw.runs else ''}{', '.join(flaw.runs)}")
    return 1 if found.flaws else 0


def backup(
    target: Annotated[str, typer.Argument(metavar="FILE", help="The backup: a logbook of its own, new or older.")],
    *,
    without_captures: Annotated[bool, typer.Option("--without-captures", help="Copy the rows only.")] = False,
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
    as_json: AsJson = False,
) -> int:
    """Back up a logbook that is a file.

    Captures and attached files come along; others may write meanwhile. The backup is a logbook: `--logbook FILE` reads
    it, and copying it back with the folder FILE.captures restores it. Repeated, it adds what is new. It prints the
    heads of the chains: note them elsewhere. Exit status 3 if captures are missing. A database on a server is backed up
    by `pg_dump`.
    """
    from wavewright.cli.progress_bar import ProgressBar
    from wavewright.logbook.backup import back_up
    from wavewright.logbook.book import Logbook

    with Logbook.existing(logbook, captures=captures) as book, ProgressBar(console(stderr=True), "captures") as bar:
        found = back_up(
            book,
            target,
            with_captures=not without_captures,
            say=lambda done, total: bar.update("copying", done, total),
        )
    if as_json:
        print_json(asdict(found))
    else:
        print(f"{target}: {found.runs} runs; {found.files} captures and attachments copied, {found.size / 1e6:.1f} MB")
        for station, head in found.heads.items():
            print(f"{f'station `{station}`' if station else 'runs without a station'}: head {head}")
        for what in found.missing:
            print(f"not in the backup: {what}", file=sys.stderr)
    return 3 if found.missing else 0


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
    copies: Annotated[
        bool, typer.Option("--copies", help="Delete this computer's copies of captures that the shared store has.")
    ] = False,
    older_than: Annotated[
        int | None, typer.Option(min=0, metavar="DAYS", help="Delete captures only, of passes older than this.")
    ] = None,
    keep_one_of: Annotated[
        int | None, typer.Option(min=2, metavar="N", help="Delete captures only, of all passes but 1 of N.")
    ] = None,
    keep_last: Annotated[
        int, typer.Option(min=0, metavar="N", help="Delete captures only, of all but the last N passes of each unit.")
    ] = 0,
    keep_last_of_part: Annotated[
        int, typer.Option(min=0, metavar="N", help="Delete captures only, of all but the last N passes of each part.")
    ] = 0,
    yes: Annotated[bool, typer.Option("--yes", help="Delete; without it, only count.")] = False,
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
) -> None:
    """Delete runs, or captures of passes; what nobody needs.

    Without --yes it only says what would be deleted. With --older-than or --keep-… all runs stay: captures of passes
    are deleted, in the logbook and in the evidence, where none of these options keeps them. Those of other runs stay.
    Always deleted: captures and attached files that no run refers to, and what killed runs have left. Interrupted runs
    that have shots stay: `import` enters them. In a shared store they are deleted only if --captures names it: it must
    belong to this logbook alone.
    """
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.maintenance import prune as prune_all
    from wavewright.logbook.maintenance import thin
    from wavewright.logbook.retention import Retention
    from wavewright.logbook.thinned_evidence import thin_evidence
    from wavewright.logbook.unfinished import clear

    is_named = any(word is not None for word in (before, part, serial, recipe, verdict))
    which = run_filter(part=part, serial=serial, recipe=recipe, verdict=verdict, until=before) if is_named else None
    word = "deleted" if yes else "would be deleted; --yes deletes them"
    shared = captures is not None
    is_thinned = older_than is not None or keep_one_of is not None or keep_last or keep_last_of_part
    with Logbook.existing(logbook, captures=captures) as book:
        if is_thinned:
            rule = Retention(older_than, keep_one_of, keep_last, keep_last_of_part)
            thinned = thin(book, rule, which, dry=not yes, shared=shared)
            print(f"{thinned.runs} runs: {thinned.files} files of captures, {thinned.size / 1e6:.1f} MB, {word}")
            thinned = thin_evidence(out, rule, which, dry=not yes)
            if thinned.runs:
                print(f"{thinned.runs} evidence folders: their captures, {thinned.size / 1e6:.1f} MB, {word}")
        found = prune_all(book, None if is_thinned else which, dry=not yes, shared=shared)
        dropped, dropped_size = book.codes.drop_copies(dry=not yes) if copies else (0, 0)
    left = clear(out, with_shots=unfinished, dry=not yes)
    print(f"{found.runs} runs and {found.files} files of captures, {found.size / 1e6:.1f} MB, {word}")
    if found.attached:
        print(f"{found.attached} attached files, {found.attached_size / 1e6:.1f} MB, {word}")
    if copies:
        print(f"{dropped} copies of captures, {dropped_size / 1e6:.1f} MB, {word}")
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
    for one in chain.prunings:
        what = "captures of" if one.captures_only else "deleted:"
        yield f"  pruned on {one.at}: {what} {one.runs} runs{f' (rule: {one.rule})' if one.rule else ''}"
