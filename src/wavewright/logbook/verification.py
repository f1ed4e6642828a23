"""Is everything in a logbook still what was written? Each row against the chain, its document and the codes on disk.

What it cannot see: somebody who may write the database, knows this file and writes the chain of a station anew from the
changed run on, with its head. Against that, the hash of a head is written down somewhere else (`heads` here).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, select

from wavewright.errors import Misuse
from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import (
    ATTACHED,
    BEGUN,
    CODES_OUT,
    COVERAGE,
    LINE,
    NOTHING_BEFORE,
    RUN,
    TAKEN_OUT,
    link_sha256,
    run_entry,
    whole_runs,
)  # fmt: skip
from wavewright.logbook.later_attachments import attached_files
from wavewright.logbook.rows import NOT_IN_DOCUMENT, Row, origins_of, outcome_row, reading_rows
from wavewright.logbook.tables import captures, heads, links, outcomes, readings, texts

SHORTEST_HEAD = 12  # digits of a hash that was written down


@dataclass(frozen=True, slots=True)
class Flaw:
    """Something that is not what it was: what it is, and the runs that it belongs to."""

    what: str
    runs: tuple[str, ...] = ()


@dataclass(slots=True)
class Pruning:
    """What `prune` took out at one time: when, ISO 8601, by what rule, of how many runs, and whether they stayed."""

    at: str
    rule: str
    runs: int
    captures_only: bool


@dataclass(slots=True)
class Chain:
    """The chain of one station.

    Parameters
    ----------
    length : links in it, notes included; sha256 : of the last one, the head, to be written down.
    begun : when it began, ISO 8601; taken_up : runs that were there before: what was done to them earlier is not seen.
    taken_out : runs that `prune` took out; prunings : what it took, by what rule and when.
    notes : of what happened at the line.
    """

    station: str
    length: int = 0
    sha256: str = NOTHING_BEFORE
    begun: str = ""
    taken_up: int = 0
    taken_out: int = 0
    notes: int = 0
    prunings: list[Pruning] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Verified:
    """How much was examined, and what was wrong; `pruned` files of captures are rightly gone."""

    runs: int
    texts: int
    captures: int
    chains: tuple[Chain, ...]
    flaws: tuple[Flaw, ...]
    pruned: int = 0


@dataclass(slots=True)
class _Walk:
    """What walking along all links found: chains, flaws, runs that must be there, or without codes, and every hash."""

    chains: list[Chain] = field(default_factory=list)
    flaws: list[Flaw] = field(default_factory=list)
    present: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    without_codes: set[str] = field(default_factory=set)
    hashes: set[str] = field(default_factory=set)


def verify(
    book: Logbook, *, known_heads: Sequence[str] = (), say: Callable[[int, int], None] = lambda done, total: None
) -> Verified:
    """Compute every hash again: of all links, runs, readings and texts, and of every file of codes.

    Parameters
    ----------
    known_heads : hashes of heads that were written down, or their first 12 digits and more: each must be in a chain.
    say : gets how many files are done, and of how many.

    Raises
    ------
    Misuse : a head that is not a hash.
    """
    wanted = [_head(word) for word in known_heads]
    with book.reading() as connection, _legible(connection):
        walk = _walk(connection)
        flaws = walk.flaws
        flaws += _file_flaws(connection)
        flaws += [
            Flaw(f"no chain has the head {head}: links were cut off, or the chain was written anew")
            for head in wanted
            if not any(sha256.startswith(head) for sha256 in walk.hashes)
        ]
        used: dict[str, list[str]] = {}
        count = 0
        for identifier, found in _runs(connection, walk.present, used):
            flaws += found
            count += identifier
        flaws += _strays(connection)
        attached = attached_files(connection)
        kept_texts = connection.execute(select(texts)).all()
        kept = connection.execute(select(captures.c.sha256, captures.c.outcome, captures.c.label)).all()
    flaws += _text_flaws({row.sha256: row.text for row in kept_texts}, used)
    flaws += [
        Flaw(what, tuple(sorted(runs)))
        for sha256, runs in sorted(attached.items())
        if (what := book.codes.files.flaw(sha256))
    ]
    owners: dict[str, set[str]] = {}
    for row in kept:
        owners.setdefault(str(row.sha256), set()).add(row.outcome)
    pruned = 0
    for number, (content, its_runs) in enumerate(sorted(owners.items()), 1):
        needed = its_runs - walk.without_codes
        if not needed and not book.codes.has(content):
            pruned += 1
        elif what := book.codes.flaw(content):
            flaws.append(Flaw(what, tuple(sorted(needed or its_runs))))
        say(number, len(owners))
    return Verified(count, len(kept_texts), len(owners) - pruned, tuple(walk.chains), tuple(flaws), pruned)


@contextmanager
def _legible(connection: Connection) -> Iterator[None]:
    """Let an SQLite file show text that is no longer UTF-8 as what it is, instead of refusing the whole query."""
    driver: Any = connection.connection.driver_connection
    if connection.dialect.name != "sqlite":
        yield
        return
    driver.text_factory = lambda raw: raw.decode(errors="backslashreplace")
    try:
        yield
    finally:
        driver.text_factory = str


def _file_flaws(connection: Connection) -> Iterator[Flaw]:
    """What SQLite itself finds: an index, from which trends are read, that says otherwise than its table, say."""
    if connection.dialect.name == "sqlite":
        for word in connection.exec_driver_sql("PRAGMA integrity_check").scalars():
            if word != "ok":
                yield Flaw(f"the database file is damaged: {word}")


def _head(word: str) -> str:
    head = word.strip().lower()
    if not SHORTEST_HEAD <= len(head) <= 64 or set(head) - set("0123456789abcdef"):
        raise Misuse(
            f"`{word}` is not the hash of a head",
            expected=f"its 64 hexadecimal digits, or the first {SHORTEST_HEAD} and more",
            do="`wavewright logbook verify` prints the heads",
        )
    return head


def _walk(connection: Connection) -> _Walk:
    """Every link against its own hash, the link before it and the head of its station."""
    walk = _Walk()
    ends = {row["station"]: row for row in connection.execute(select(heads)).mappings()}
    chain: Chain | None = None
    query = select(links).order_by(links.c.station, links.c.position)
    for row in connection.execute(query, execution_options={"yield_per": 2000}).mappings():
        link = {str(name): value for name, value in row.items()}
        if chain is None or chain.station != link["station"]:
            chain = Chain(link["station"])
            walk.chains.append(chain)
        _take_link(walk, chain, link)
    for chain in walk.chains:
        end = ends.pop(chain.station, None)
        if end is None:
            walk.flaws.append(Flaw(f"the head of the chain of station `{chain.station}` is missing"))
        elif (end["length"], end["sha256"]) != (chain.length, chain.sha256):
            walk.flaws.append(
                Flaw(
                    f"the chain of station `{chain.station}` ends with link {chain.length - 1}, and its head says that"
                    f" there are {end['length']} links: links were cut off or added at the end, or the head was changed"
                )
            )
    walk.flaws += [
        Flaw(f"the chain of station `{station}` is missing: its head says that there are {end['length']} links")
        for station, end in ends.items()
    ]
    return walk


def _take_link(walk: _Walk, chain: Chain, link: Mapping[str, Any]) -> None:
    where = f"link {link['position']} of the chain of station `{chain.station}`"
    about = (link["run"],) if link["run"] and link["kind"] != LINE else ()
    if link["position"] != chain.length:
        walk.flaws.append(Flaw(f"links are missing before {where}: {chain.length} came before it", about))
    if link_sha256(link) != link["sha256"]:
        walk.flaws.append(Flaw(f"{where} has changed", about))
    elif link["previous"] != chain.sha256:
        walk.flaws.append(Flaw(f"{where} does not follow from the link before it", about))
    chain.length = link["position"] + 1 if isinstance(link["position"], int) else chain.length + 1
    chain.sha256 = link["sha256"]
    walk.hashes.add(str(link["sha256"]))
    try:
        _take_note(walk, chain, link)
    except (ValueError, KeyError, TypeError, AttributeError):
        walk.flaws.append(Flaw(f"{where} cannot be read", about))


def _take_note(walk: _Walk, chain: Chain, link: Mapping[str, Any]) -> None:
    if link["kind"] == RUN:
        walk.present[link["run"]] = link
        return
    note = json.loads(link["note"])
    if link["kind"] == BEGUN:
        chain.begun, chain.taken_up = note["at"], int(note["taken_up"])
    elif link["kind"] in (TAKEN_OUT, CODES_OUT):
        _take_pruning(walk, chain, note, captures_only=link["kind"] == CODES_OUT)
    elif link["kind"] == LINE:
        chain.notes += 1
    elif link["kind"] == ATTACHED:
        if not note["at"]:
            raise KeyError("at")
    else:
        raise KeyError(link["kind"])


def _take_pruning(walk: _Walk, chain: Chain, note: Mapping[str, Any], *, captures_only: bool) -> None:
    """What was taken out; notes of the same time and rule are of one pruning."""
    runs = note["runs"]
    if captures_only:
        walk.without_codes.update(runs)
    else:
        chain.taken_out += len(runs)
        for run in runs:
            walk.present.pop(run, None)
    what = Pruning(note["at"], note.get("rule", ""), 0, captures_only)  # notes of before do not say the rule
    last = chain.prunings[-1] if chain.prunings else None
    if last is None or (last.at, last.rule, last.captures_only) != (what.at, what.rule, captures_only):
        chain.prunings.append(what)
    chain.prunings[-1].runs += len(runs)


def _runs(
    connection: Connection, present: Mapping[str, Mapping[str, Any]], used: dict[str, list[str]]
) -> Iterator[tuple[bool, list[Flaw]]]:
    """For every run that is there, or should be: whether it is, and its flaws; `used` gets the texts that it needs."""
    ids = list(connection.execute(select(outcomes.c.id).order_by(outcomes.c.id)).scalars())
    for row, its_readings, its_captures in whole_runs(connection, ids):
        identifier = row["id"]
        link = present.get(identifier)
        found = []
        if link is None:
            found.append(f"run {identifier} is in no chain: it was inserted, or put back after `prune` took it out")
        elif link["coverage"] in COVERAGE:
            found += _against_link(link, row, its_readings, its_captures)
        try:
            document = json.loads(row["document"])
            found += _against_document(document, row, its_readings)
            for origin in origins_of(document):
                used.setdefault(origin["sha256"], []).append(identifier)
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as fault:
            found.append(f"the document of run {identifier} cannot be read: {type(fault).__name__}: {fault}")
        yield True, [Flaw(what, (identifier,)) for what in found]
    for identifier in sorted(present.keys() - set(ids)):
        link = present[identifier]
        what = f"run {identifier} is gone: it was deleted, and not by `prune` (link {link['position']} of the chain of"
        yield False, [Flaw(f"{what} station `{link['station']}`)", (identifier,))]


def _against_link(
    link: Mapping[str, Any], row: Row, its_readings: Sequence[Row], its_captures: Sequence[Row]
) -> Iterator[str]:
    now = run_entry(row, its_readings, its_captures, coverage=link["coverage"])
    if row["station"] != link["station"]:
        yield f"run {now.run} says station `{row['station']}`, and is in the chain of station `{link['station']}`"
    for what, before, after in (
        (f"the row of run {now.run} has", link["row_sha256"], now.row_sha256),
        (f"the readings of run {now.run} have", link["readings_sha256"], now.readings_sha256),
        (f"the captures of run {now.run} have", link["captures_sha256"], now.captures_sha256),
    ):
        if before != after:
            yield f"{what} changed"


def _against_document(document: Mapping[str, Any], row: Row, its_readings: Iterable[Row]) -> Iterator[str]:
    identifier = row["id"]
    for said in _different(row, outcome_row(identifier, document, station=row["station"], batch=row["batch"])):
        yield f"run {identifier} says otherwise than its document: {said}"
    wanted = {each["name"]: each for each in reading_rows(identifier, document)}
    for each in its_readings:
        expected = wanted.pop(each["name"], None)
        if expected is None:
            yield f"the reading `{each['name']}` of run {identifier} is not in its document"
            continue
        for said in _different(each, expected):
            yield f"the reading `{each['name']}` of run {identifier} says otherwise than its document: {said}"
    for name in wanted:
        yield f"the reading `{name}` of run {identifier} is missing"


def _different(row: Row, expected: Row) -> Iterator[str]:
    for name, value in row.items():
        if name not in NOT_IN_DOCUMENT and value != expected[name]:
            yield f"{name} {value}, in the document {expected[name]}"


def _strays(connection: Connection) -> Iterator[Flaw]:
    """Readings and captures of runs that are not there."""
    for what, table in (("readings", readings), ("captures", captures)):
        query = select(table.c.outcome).distinct().where(table.c.outcome.not_in(select(outcomes.c.id)))
        for run in connection.execute(query).scalars():
            yield Flaw(f"there are {what} of a run {run}, and no such run", (str(run),))


def _text_flaws(kept: Mapping[str, str], used: Mapping[str, Sequence[str]]) -> Iterator[Flaw]:
    for sha256, text in kept.items():
        runs = tuple(sorted(set(used.get(sha256, ()))))
        if hashlib.sha256(str(text).encode(errors="surrogatepass")).hexdigest() != sha256:
            yield Flaw(f"the text {sha256[:12]} of a recipe, bench, profile or file of corrections has changed", runs)
        elif not runs:
            yield Flaw(f"the text {sha256[:12]} belongs to no run: it was inserted")
    for sha256 in sorted(used.keys() - kept.keys(), key=str):
        runs = tuple(sorted(set(used[sha256])))
        yield Flaw(f"the text {str(sha256)[:12]} of a recipe, bench, profile or file of corrections is missing", runs)
