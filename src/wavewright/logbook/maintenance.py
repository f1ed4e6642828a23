"""Upkeep of a logbook: what may go. That it went rightly is written into the chains before anything goes."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from sqlalchemy import Connection, delete, select

from wavewright.errors import Misuse
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import CHUNK, CODES_OUT, drop_unused_texts, note_taken_out, runs_without_codes
from wavewright.logbook.later_attachments import files_referred_to
from wavewright.logbook.queries import Filter
from wavewright.logbook.retention import Retention, RunMark
from wavewright.logbook.tables import captures, moment_of, outcomes


@dataclass(frozen=True, slots=True)
class Pruned:
    """What went: runs, files of codes that nobody refers to any more, bytes that they gave back.

    `attached`, `attached_size` : the same of attached files.
    """

    runs: int
    files: int
    size: int
    attached: int = 0
    attached_size: int = 0


def prune(book: Logbook, which: Filter | None, *, dry: bool = False, shared: bool = False) -> Pruned:
    """Take out the runs that a filter names, and every file of codes and attached file that no run refers to.

    Parameters
    ----------
    which : the runs to go; None takes none and only clears up the files.
    dry : only count.
    shared : take files out of the shared store too, which then has to belong to this logbook alone.

    Raises
    ------
    StorageFault : the shared store cannot be reached.
    """
    with book.writing() as connection:
        named = select(outcomes.c.station, outcomes.c.id).order_by(outcomes.c.started, outcomes.c.id)
        found = connection.execute(named.where(*which.conditions())).all() if which else []
        ids = [row.id for row in found]
        if not dry:
            attached = _attached_to(connection, ids)
            for first in range(0, len(ids), CHUNK):
                connection.execute(delete(outcomes).where(outcomes.c.id.in_(ids[first : first + CHUNK])))
            named_runs = _named_runs(which or Filter())
            note_taken_out(connection, [(row.station, row.id) for row in found], rule=named_runs, attached=attached)
            drop_unused_texts(connection)
    # no file goes before it is on the disk that it may: a prune that is killed here is completed by the next one
    with book.writing() as connection:
        needed = _needed(connection, without=ids)
        files, size = _clear(book, [content for content in book.codes.contents() if content not in needed], dry=dry)
        if shared and book.codes.shared:
            there = [content for content in book.codes.shared[0].contents() if content not in needed]
            more, more_size = _clear_shared(book, there, dry=dry)
            files, size = files | more, size + more_size
        cleared, cleared_size = _clear_attached(book, connection, without=ids, dry=dry, shared=shared)
    left, left_size = book.codes.clear_incoming(dry=dry)
    return Pruned(len(ids), len(files) + left, size + left_size, len(cleared), cleared_size)


def _attached_to(connection: Connection, runs: Collection[str]) -> dict[str, set[str]]:
    """The attached files that only these runs name, by run."""
    found: dict[str, set[str]] = {}
    going = set(runs)
    for sha256, its_runs in (files_referred_to(connection) or {}).items() if going else ():
        if its_runs <= going:
            for run in its_runs:
                found.setdefault(run, set()).add(sha256)
    return found


def _clear_attached(
    book: Logbook, connection: Connection, *, without: Collection[str], dry: bool, shared: bool
) -> tuple[set[str], int]:
    """Delete the attached files that no run names, within a transaction as `_clear`; returns which, and bytes."""
    kept = book.codes.files
    here, there = list(kept.contents()), kept.contents_shared() if shared else {}
    if not here and not there:
        return set(), 0
    needed = files_referred_to(connection, without=set(without))
    if needed is None:
        return set(), 0
    size = sum(kept.remove(sha256, dry=dry) for sha256 in here if sha256 not in needed)
    for sha256, its_size in there.items():
        if sha256 not in needed:
            size += its_size
            if not dry:
                kept.remove_shared(sha256)
    return {sha256 for sha256 in (*here, *there) if sha256 not in needed}, size


def thin(
    book: Logbook,
    rule: Retention,
    which: Filter | None = None,
    *,
    dry: bool = False,
    shared: bool = False,
    now: datetime | None = None,
) -> Pruned:
    """Take out the captures that a rule leaves to go; the runs stay, with their readings and the hashes of the codes.

    Codes that another run needs stay. Of what is gone already nothing is counted or noted again.

    Parameters
    ----------
    which : the runs in question; of those the rule takes passes only.
    dry : only count; now : UTC, the clock's if not given.
    shared : the shared store, if there is one, belongs to this logbook alone, and its files go too.

    Raises
    ------
    Misuse : the captures are in a shared store, and that was not said; or runs that did not pass are asked for.
    StorageFault : the shared store cannot be reached.
    """
    which = which or Filter()
    if which.verdict not in (None, Verdict.PASS):
        raise Misuse(
            f"captures of runs with the verdict `{which.verdict}`",
            expected="captures of passes: a rule never takes those of other runs",
            do="leave `--verdict` out",
        )
    if book.codes.shared and not shared:
        raise Misuse(
            f"the captures of this logbook are in a shared store, {book.codes.shared[0].where}",
            expected="--captures with that store, which must belong to this logbook alone",
        )
    with book.writing() as connection:
        found = _disposable(connection, rule, which, now or datetime.now(UTC))
        if not dry:
            note_taken_out(connection, found, rule=_in_words(rule, which), kind=CODES_OUT)
    with book.writing() as connection:
        going = [identifier for _, identifier in found]
        needed = _needed(connection, without=going)
        contents = [content for content in sorted(_contents(connection, going)) if content not in needed]
        here = [content for content in contents if book.codes.path(content).exists()]
        files, size = _clear(book, here, dry=dry)
        if book.codes.shared:
            there = [content for content in contents if book.codes.shared[0].has(content)]
            more, more_size = _clear_shared(book, there, dry=dry)
            files, size = files | more, size + more_size
    return Pruned(len(found), len(files), size)


def _disposable(connection: Connection, rule: Retention, which: Filter, now: datetime) -> list[tuple[str, str]]:
    """Station and id of each run that has captures and need not; whether it is the last of its unit, all runs say."""
    names = ("station", "started", "verdict", "recipe", "recipe_sha256", "part", "serial")
    query = select(outcomes.c.id, *(outcomes.c[name] for name in names)).where(outcomes.c.verdict == Verdict.PASS)
    stations, marks = {}, []
    for row in connection.execute(query):
        stations[row.id] = row.station
        about = (row.verdict, row.recipe, row.recipe_sha256, row.part, row.serial)
        marks.append(RunMark(row.id, moment_of(row.started), *about))
    asked = set(connection.execute(select(outcomes.c.id).where(*which.conditions())).scalars())
    have = set(connection.execute(select(captures.c.outcome).distinct()).scalars()) - runs_without_codes(connection)
    going = [run.name for run in rule.disposable(marks, now=now) if run.name in asked and run.name in have]
    return [(stations[name], name) for name in reversed(going)]


def _needed(connection: Connection, *, without: Collection[str]) -> set[str]:
    """The hashes of all codes that a run needs, but for some runs and for those whose captures a rule took."""
    gone = {*without, *runs_without_codes(connection)}
    rows = connection.execute(select(captures.c.sha256, captures.c.outcome)).all()
    return {row.sha256 for row in rows if row.outcome not in gone}


def _contents(connection: Connection, runs: Collection[str]) -> set[str]:
    wanted = set(runs)
    rows = connection.execute(select(captures.c.sha256, captures.c.outcome)).all()
    return {row.sha256 for row in rows if row.outcome in wanted}


# both inside a transaction: a run that is being entered waits for it, and keeps its codes once more if they went
def _clear(book: Logbook, contents: Collection[str], *, dry: bool) -> tuple[set[str], int]:
    """Delete files of this computer; returns which, and bytes."""
    size = sum(book.codes.path(content).stat().st_size if dry else book.codes.remove(content) for content in contents)
    return set(contents), size


def _clear_shared(book: Logbook, contents: Collection[str], *, dry: bool) -> tuple[set[str], int]:
    """The same in the shared store; returns the bytes there."""
    store, size = book.codes.shared[0], 0
    for content in contents:
        size += store.size(content)
        if not dry:
            store.remove(content)
    return set(contents), size


def _in_words(rule: Retention, which: Filter) -> str:
    narrowed = _named_runs(replace(which, verdict=None))
    return str(rule) if narrowed == _ALL else f"{rule}, of {narrowed}"


_ALL = "all runs"


def _named_runs(which: Filter) -> str:
    """What a filter leaves, in words."""
    words = []
    for name in which.__slots__:
        value = getattr(which, name)
        if name == "declared":
            words += [f"{field} {text}" for field, text in value]
        elif value is not None:
            words.append(f"{name} {value.isoformat() if isinstance(value, datetime) else value}")
    return f"runs with {', '.join(words)}" if words else _ALL
