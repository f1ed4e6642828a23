"""Stations of one line on a PostgreSQL server: notes are entered once, count everywhere, and wait while it is away."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from tests.logbook.line_recipe import MadeLine
from tests.logbook.made_outcomes import outcome
from tests.logbook.postgresql import PASSWORD, Server
from wavewright.logbook.book import Logbook
from wavewright.logbook.line_notes import NoteKind, enter_notes, notes_in
from wavewright.logbook.migrations import NEWEST_LAYOUT
from wavewright.logbook.quarantine import in_quarantine, release, set_apart
from wavewright.logbook.rights import grants
from wavewright.logbook.spool import forward
from wavewright.logbook.tables import versions
from wavewright.logbook.unit_admission import LineRecords
from wavewright.logbook.verification import verify

RULE = "stop_when: {fixture: {failed: 2 in a row, then: call}}"


def test_two_stations_find_one_call_and_note_it_once(server: Server, tmp_path: Path) -> None:
    url = server.new_database("line_calls")
    books = [Logbook(url) for _ in range(4)]
    first = MadeLine(tmp_path, RULE, {"A1": 0.045, "A2": 0.045}, book=books[0])
    made = [first.run_one(serial) for serial in ("A1", "A2")]

    def find(number: int) -> int:
        station = MadeLine(tmp_path / str(number), RULE, station=f"line_{number}", book=books[number])
        charts = station.line().charts
        return len(charts.take(made[-1]))

    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(find, range(4))) == [1, 1, 1, 1], "each of them hears of it"
    assert [note.says["serials"] for note in notes_in(books[0], NoteKind.CALL)] == [["A1", "A2"]]
    assert not verify(books[0]).flaws
    for book in books:
        book.close()


def test_a_station_sets_apart_with_its_least_rights_and_the_others_see_it(server: Server, tmp_path: Path) -> None:
    owner = server.new_database("line_rights")
    Logbook(owner).close()
    server.sql("postgres", f"CREATE ROLE line_9 LOGIN PASSWORD '{PASSWORD}'")
    server.sql("line_rights", "\n".join(grants("line_rights", stations=["line_9"])))
    with Logbook(server.url("line_rights", user="line_9")) as here, Logbook(owner) as there:
        enter_notes(here, [set_apart(["A1"], reason="golden unit failed", station="line_9")])
        assert set(in_quarantine(notes_in(there))) == {"A1"}
        enter_notes(there, [release(["A1"], notes_in(there), reason="measured again", operator="M. Ilves")])
        assert not in_quarantine(notes_in(here))
        assert not verify(there).flaws


def test_notes_wait_while_the_server_is_away_and_count_at_their_station(server: Server, tmp_path: Path) -> None:
    url = server.new_database("line_away")
    with Logbook(url) as book:
        records = LineRecords.of(book, tmp_path / "spool", identity=book.identity)
        assert records.journal.write(set_apart(["A1"], reason="cracked", operator="R. Okafor"))
        server.stop()
        try:
            assert not records.journal.write(set_apart(["A2"], reason="dropped", operator="R. Okafor"))
            assert set(in_quarantine(records.journal.notes())) == {"A1", "A2"}
            later = LineRecords.of(None, tmp_path / "spool", identity=book.identity)
            assert set(in_quarantine(later.journal.notes())) == {"A2"}, "who comes now knows what waits, and no more"
        finally:
            server.start()
        forward(book, tmp_path / "spool")
        assert set(in_quarantine(notes_in(book))) == {"A1", "A2"}
        assert list((tmp_path / "spool").iterdir()) == []


def test_a_logbook_of_layout_5_is_brought_up_to_date(server: Server, tmp_path: Path) -> None:
    for where in (str(tmp_path / "logbook.sqlite"), server.new_database("layout_5")):
        with Logbook(where) as book:
            book.enter(replace(outcome(0), serial="A1"))
            with book.writing() as connection:
                connection.exec_driver_sql("DROP INDEX links_by_kind")
                connection.execute(versions.update().values(version=5))
        with Logbook(where) as book:
            with book.reading() as connection:
                assert connection.execute(versions.select()).scalar_one() == NEWEST_LAYOUT
            enter_notes(book, [set_apart(["A1"], reason="cracked")])
            assert not verify(book).flaws
