"""Whatever is changed, deleted or slipped in is found, and named."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.logbook.made_outcomes import outcome
from tests.logbook.postgresql import Server
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import COVERAGE, NEWEST
from wavewright.logbook.exchange import export
from wavewright.logbook.intake import import_outcomes
from wavewright.logbook.maintenance import prune
from wavewright.logbook.queries import Filter, entries
from wavewright.logbook.tables import captures, outcomes, readings
from wavewright.logbook.verification import Verified, verify

TABLES = ("outcomes", "readings", "captures", "texts", "links", "heads")
TRIES = 1000 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 200


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    book = Logbook(tmp_path / "logbook.sqlite")
    book.enter_all([outcome(number, seed=number, value=0.02 + number * 0.004) for number in range(8)], station="line 1")
    book.enter_all([outcome(number, value=None) for number in range(8, 12)], station="line 2", batch="lot-7")
    prune(book, Filter(serial="VC204-0003"))
    return book


def changed(book: Logbook, *statements: str) -> Verified:
    with sqlite3.connect(book.where) as plain:
        for statement in statements:
            plain.execute(statement)
    return verify(book)


def words(found: Verified) -> str:
    return "\n".join(f"{flaw.what} {flaw.runs}" for flaw in found.flaws)


def test_what_nobody_touched_has_no_flaw(book: Logbook) -> None:
    found = verify(book)
    assert found.flaws == ()
    assert (found.runs, found.texts, found.captures) == (11, 3, 7)
    assert [(chain.station, chain.length, chain.taken_up, chain.taken_out) for chain in found.chains] == [
        ("line 1", 10, 0, 1),  # its beginning, eight runs, and one that was taken out
        ("line 2", 5, 0, 0),
    ]


def test_a_forged_verdict_is_found_in_the_column_and_in_the_document(book: Logbook) -> None:
    identifier = next(entry.id for entry in entries(book) if entry.verdict == "fail")
    found = changed(book, f"update outcomes set verdict = 'pass' where id = '{identifier}'")
    assert f"run {identifier} says otherwise than its document: verdict pass, in the document fail" in words(found)
    found = changed(
        book, f"update outcomes set document = replace(document, '\"fail\"', '\"pass\"') where id = '{identifier}'"
    )
    assert f"the row of run {identifier} has changed" in words(found)


def test_a_forged_reading_is_named(book: Logbook) -> None:
    identifier = entries(book)[0].id
    found = changed(book, f"update readings set value = 0.0123 where outcome = '{identifier}'")
    assert (
        f"the reading `rail_noise.ripple` of run {identifier} says otherwise than its document: value 0.0123"
        in words(found)
    )


def test_a_run_that_was_deleted_with_all_that_belongs_to_it_is_named(book: Logbook) -> None:
    identifier = entries(book)[0].id
    found = changed(
        book, *(f"delete from {table} where outcome = '{identifier}'" for table in ("readings", "captures")),
        f"delete from outcomes where id = '{identifier}'",
    )  # fmt: skip
    assert [flaw.runs for flaw in found.flaws] == [(identifier,)]
    assert f"run {identifier} is gone" in words(found)


def test_links_that_were_cut_off_at_the_end_are_missed_by_the_head(book: Logbook) -> None:
    last = next(entry.id for entry in entries(book) if entry.station == "line 2")
    found = changed(
        book,
        *(f"delete from {table} where outcome = '{last}'" for table in ("readings", "captures")),
        f"delete from outcomes where id = '{last}'",
        f"delete from links where run = '{last}'",
    )
    assert "the chain of station `line 2` ends with link 3, and its head says that there are 5 links" in words(found)


def test_a_chain_that_is_written_anew_is_seen_by_a_head_that_was_written_down(book: Logbook) -> None:
    heads = [chain.sha256 for chain in verify(book).chains]
    assert verify(book, known_heads=heads).flaws == ()
    book.enter(outcome(20), station="line 1")
    assert verify(book, known_heads=[heads[0][:12].upper(), heads[1]]).flaws == ()  # it may have grown since
    # whoever empties the chains and lets the logbook take up what is there now, forges everything
    with sqlite3.connect(book.where) as plain:
        for statement in (
            "update outcomes set operator = 'nobody'",
            "update outcomes set document = replace(document, 'R. Amsel', 'nobody')",
            "drop table links",
            "drop table heads",
            "update layout_version set version = 2",
        ):
            plain.execute(statement)
    with Logbook(book.where) as forged:
        found = verify(forged)
        assert found.flaws == ()
        assert [chain.taken_up for chain in found.chains] == [8, 4]  # and it says so
        found = verify(forged, known_heads=heads)
    assert [flaw.what for flaw in found.flaws] == [
        f"no chain has the head {head}: links were cut off, or the chain was written anew" for head in heads
    ]


def test_a_head_that_is_no_hash_is_wrong_usage(book: Logbook) -> None:
    with pytest.raises(Misuse, match="`wavewright logbook verify` prints the heads"):
        verify(book, known_heads=["abc"])


def test_a_lower_layout_does_not_make_it_take_up_what_was_slipped_in(book: Logbook) -> None:
    with sqlite3.connect(book.where) as plain:
        names = ", ".join(column.name for column in outcomes.columns if column.name != "id")
        plain.execute(f"insert into outcomes (id, {names}) select 'slipped-in', {names} from outcomes limit 1")
        plain.execute("update layout_version set version = 0")
    with Logbook(book.where) as again:
        assert "run slipped-in is in no chain" in words(verify(again))


def test_runs_that_prune_took_out_may_be_imported_again(book: Logbook, tmp_path: Path) -> None:
    export(book, tmp_path / "all.jsonl")
    prune(book, Filter(verdict="inconclusive"))
    assert verify(book).flaws == ()
    import_outcomes(book, tmp_path / "all.jsonl")
    assert verify(book).flaws == ()
    prune(book, Filter())
    found = verify(book)
    assert (found.flaws, found.runs, found.texts) == ((), 0, 0)


def test_a_run_that_is_put_back_after_prune_is_found(book: Logbook) -> None:
    with sqlite3.connect(book.where) as plain:
        plain.execute("create table aside as select * from outcomes where serial = 'VC204-0005'")
    prune(book, Filter(serial="VC204-0005"))
    assert "put back after `prune` took it out" in words(changed(book, "insert into outcomes select * from aside"))


def test_an_old_logbook_is_taken_up_with_a_note(book: Logbook) -> None:
    with sqlite3.connect(book.where) as plain:
        for statement in ("drop table links", "drop table heads", "update layout_version set version = 2"):
            plain.execute(statement)
    with Logbook(book.where) as again:
        again.enter(outcome(30), station="line 2")
        found = verify(again)
        assert found.flaws == ()
        assert [(chain.station, chain.length, chain.taken_up) for chain in found.chains] == [
            ("line 1", 8, 7),
            ("line 2", 6, 4),
        ]
        assert all(chain.begun for chain in found.chains)
        identifier = entries(again)[5].id
        assert identifier in words(changed(again, f"update outcomes set serial = 'X' where id = '{identifier}'"))


def test_every_column_is_covered() -> None:
    newest = COVERAGE[NEWEST]
    for table, covered in ((outcomes, newest.row), (readings, newest.readings), (captures, newest.captures)):
        assert {column.name for column in table.columns} == set(covered), f"{table.name}: put the column into COVERAGE"
    assert newest.row[-1] == "document"


def test_a_changed_document_or_a_missing_text_is_no_defect(book: Logbook) -> None:
    with sqlite3.connect(book.where) as plain:
        plain.execute("update outcomes set document = '{broken'")
    with pytest.raises(StorageFault, match="is not what was written: JSONDecodeError"):
        book.outcome("last")
    assert len(verify(book).flaws) >= 11


def test_a_server_sees_it_too(server: Server) -> None:
    with Logbook(server.new_database("verified")) as book:
        book.enter_all([outcome(number, value=0.02 + number * 0.004) for number in range(8)], station="line 1")
        prune(book, Filter(serial="VC204-0003"))
        assert verify(book).flaws == ()
        with book.writing() as connection:
            connection.exec_driver_sql("update readings set verdict = 'pass' where verdict = 'fail'")
        assert len({run for flaw in verify(book).flaws for run in flaw.runs}) == 2


def damaged(path: Path, raw: bytes, flip: tuple[int, int], *, captures: Path) -> bool:
    """Whether `verify`, or already opening it, says that one bit of a file was flipped."""
    place, bit = flip
    path.write_bytes(raw[:place] + bytes([raw[place] ^ 1 << bit]) + raw[place + 1 :])
    for rest in ("-wal", "-shm"):
        Path(f"{path}{rest}").unlink(missing_ok=True)
    try:
        with Logbook(path, codes=captures) as book:
            return bool(verify(book).flaws)
    except StorageFault:
        return True


def test_a_flipped_bit_of_the_file_is_found_wherever_it_changes_what_is_read(
    book: Logbook, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book.close()
    with closing(sqlite3.connect(book.where)) as plain:
        plain.execute("pragma journal_mode = delete")
        tables = ("outcomes", "readings", "captures", "texts", "links", "heads")
        names = plain.execute("select name from sqlite_master where tbl_name in ('readings') and type = 'index'")
        assert ("readings_by_name",) in names.fetchall()
        whole = {table: plain.execute(f"select * from {table}").fetchall() for table in tables}
        trend = (
            "select name, started, value, verdict, outcome from readings indexed by readings_by_name where name > ''"
        )
        whole["trend"] = plain.execute(trend).fetchall()
    raw = Path(book.where).read_bytes()
    rng = random.Random(9)
    changed_what_is_read, found, missed = 0, 0, []
    for _ in range(TRIES // 2):
        place, bit = rng.randrange(100, len(raw)), rng.randrange(8)
        is_found = damaged(tmp_path / "flipped.sqlite", raw, (place, bit), captures=book.codes.folder)
        try:
            with closing(sqlite3.connect(tmp_path / "flipped.sqlite")) as plain:
                now = {table: plain.execute(f"select * from {table}").fetchall() for table in tables}
                now["trend"] = plain.execute(trend).fetchall()
        except (sqlite3.DatabaseError, UnicodeDecodeError):
            now = {}
        if now != whole:
            changed_what_is_read += 1
            found += is_found
            missed += [] if is_found else [(place, bit)]
    with capsys.disabled():
        print(f"\nlogbook verify: {changed_what_is_read} flipped bits change what is read, {found} found")
    assert missed == []
    assert changed_what_is_read > TRIES // 10


@dataclass(frozen=True)
class Change:
    """One change to a copy of a logbook, and by what it must be named: one of these words stands in a flaw."""

    what: str
    names: tuple[str, ...]


def rows_of(plain: sqlite3.Connection, table: str) -> list[dict[str, Any]]:
    found = plain.execute(f"select rowid as at, * from {table}")
    names = [column[0] for column in found.description]
    return [dict(zip(names, row, strict=True)) for row in found]


def names_of(table: str, row: dict[str, Any]) -> tuple[str, ...]:
    """By what a person finds the row again."""
    match table:
        case "outcomes":
            return (row["id"],)
        case "readings" | "captures":
            return (row["outcome"],)
        case "texts":
            return (row["sha256"][:12],)
        case "links":
            chain = f"of the chain of station `{row['station']}`"
            near = (row["position"], row["position"] + 1)
            ends = f"the chain of station `{row['station']}` ends with link"
            return (row["run"] or ends, ends, *(f"link {position} {chain}" for position in near))
        case _:
            return (f"the chain of station `{row['station']}`",)


def spoilt(value: Any, rng: random.Random) -> Any:
    """Another value, often one that is hard to see."""
    if isinstance(value, (int, float)):
        return rng.choice(
            [value + 1, value * 2 + 1, -value - 1, value + 1e-12 if isinstance(value, float) else value - 1]
        )
    if value is None:
        return rng.choice([0.5, "pass", ""])
    kinds = [
        value + " ",
        value[:-1] + chr(ord(value[-1]) ^ 1) if value else "x",
        value.swapcase() + "é",
        value * 2 + "y",
    ]
    place = rng.randrange(len(value)) if value else 0
    kinds.append(value[:place] + chr((ord(value[place]) if value else 97) ^ 2) + value[place + 1 :])
    return rng.choice(kinds)


def change(plain: sqlite3.Connection, table: str, rng: random.Random) -> Change:
    while True:
        with suppress(sqlite3.IntegrityError):  # a key that is taken: another change
            return _change(plain, table, rng)


def _change(plain: sqlite3.Connection, table: str, rng: random.Random) -> Change:
    rows = rows_of(plain, table)
    row = rng.choice(rows)
    columns = [name for name in row if name != "at"]
    kind = rng.choice(["edit", "edit", "edit", "delete", "insert"])
    if kind == "delete":
        plain.execute(f"delete from {table} where rowid = ?", (row["at"],))
        return Change(f"deleted from {table}", names_of(table, row))
    column = rng.choice(columns)
    value = spoilt(row[column], rng)
    if kind == "edit":
        plain.execute(f"update {table} set {column} = ? where rowid = ?", (value, row["at"]))
        return Change(f"{table}.{column}: {str(row[column])[:40]!r} -> {str(value)[:40]!r}", names_of(table, row))
    new = {name: row[name] for name in columns}
    key = {"outcomes": "id", "texts": "sha256", "heads": "station", "readings": "name", "captures": "label"}.get(table)
    new[key or "position"] = f"{rng.getrandbits(64):064x}"[-20:] if key else max(one["position"] for one in rows) + 5
    marks = ", ".join("?" * len(new))
    plain.execute(f"insert into {table} ({', '.join(new)}) values ({marks})", list(new.values()))
    return Change(f"inserted into {table}", names_of(table, {**new}))


def test_random_changes_are_all_found_and_named(
    book: Logbook, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book.close()
    rng = random.Random(204)
    unseen: list[str] = []
    columns: set[str] = set()
    for number in range(TRIES):
        copy = tmp_path / f"copy{number}.sqlite"
        shutil.copy(book.where, copy)
        with closing(sqlite3.connect(copy)) as plain, plain:
            made = change(plain, TABLES[number % len(TABLES)], rng)
            columns.add(made.what.split(":")[0])
        with Logbook(copy, codes=book.codes.folder) as opened:
            found = verify(opened)
        if not any(name in words(found) for name in made.names):
            unseen.append(f"{made.what}: {words(found)}")
        copy.unlink()
    with capsys.disabled():
        print(f"\nlogbook verify: {TRIES} changes made, {TRIES - len(unseen)} found and named")
    assert unseen == []
    assert len(columns) > 35  # all tables, and most of their columns
