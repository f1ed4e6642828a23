"""The logbook in PostgreSQL, on a real server: laid out once, whoever comes first; one writer at a time."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from tests.logbook.postgresql import PASSWORD, Server
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook import database
from wavewright.logbook.book import Logbook
from wavewright.logbook.outcome_files import outcome_as_json
from wavewright.logbook.queries import entries
from wavewright.logbook.rights import grants
from wavewright.logbook.verification import verify

ROOT = Path(__file__).parents[2]
STATION = """
import sys
from tests.logbook.made_outcomes import outcome
from wavewright.logbook.book import Logbook
name, *urls = sys.argv[1:]
outcome(0)
for url in urls:
    print("ready", flush=True)
    sys.stdin.readline()  # all stations begin at once
    for number in range(3):
        with Logbook(url) as book:
            book.enter(outcome(number, serial=f"{name}-{number}"), station=name)
"""


def test_stations_that_open_an_empty_database_together_lay_it_out_once(server: Server) -> None:
    urls = [server.new_database(f"fresh_{number}") for number in range(4)]
    stations = [
        subprocess.Popen(
            [sys.executable, "-c", STATION, f"line {number}", *urls],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for number in range(4)
    ]
    for _ in urls:
        for one in stations:
            assert one.stdout is not None
            assert one.stdout.readline() == "ready\n"
        for one in stations:
            assert one.stdin is not None
            one.stdin.write("\n")
            one.stdin.flush()
    for one in stations:
        one.communicate()
    assert [one.returncode for one in stations] == [0] * 4
    for url in urls:
        with Logbook(url) as book:
            assert len(entries(book)) == 12


def test_what_was_entered_comes_back_to_the_last_digit(server: Server) -> None:
    there = outcome(seed=5)
    with Logbook(server.new_database("digits")) as book:
        back = book.outcome(book.enter(there, station="line 2"))
        assert outcome_as_json(back) == outcome_as_json(there)


def test_a_batch_that_breaks_off_on_its_way_leaves_nothing(server: Server) -> None:
    made = [outcome(number) for number in range(2 * database.COPIED)]
    with Logbook(server.new_database("stream")) as book:
        with pytest.raises(ValueError, match="surrogates not allowed"):
            book.enter_all([*made, outcome(9999, serial="VC204-\ud800")], station="line 2")
        assert entries(book) == []
        ids = book.enter_all(made, station="line 2")
        assert [entry.id for entry in reversed(entries(book))] == ids
        assert verify(book).flaws == ()
        assert outcome_as_json(book.outcome(ids[-1])) == outcome_as_json(made[-1])


def test_a_server_that_came_back_is_used_again(server: Server) -> None:
    with Logbook(server.new_database("back")) as book:
        book.enter(outcome(0))
        server.stop()
        try:
            with pytest.raises(StorageFault, match="check that the server runs") as caught:
                book.enter(outcome(1))
            assert "S3cret" not in str(caught.value)
        finally:
            server.start()
        book.enter(outcome(2))
        assert [entry.serial for entry in entries(book)] == ["VC204-0002", "VC204-0000"]


def test_a_wrong_password_is_not_repeated(server: Server) -> None:
    url = server.url("postgres").replace("S3cret", "Wr0ng")
    with pytest.raises(StorageFault, match="password authentication failed") as caught:
        Logbook(url)
    assert "Wr0ng" not in str(caught.value)


def freeze_within_a_transaction(server: Server, book: Logbook) -> None:
    with book.writing() as connection:
        server.freeze()
        connection.connection.driver_connection.patience = 0.5
        connection.exec_driver_sql("SELECT 1")


def test_a_server_that_freezes_is_given_up_and_used_again_when_it_thaws(
    server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    # what it says before and after may take as long as ever: the machine may be busy
    monkeypatch.setattr(database, "CONNECTING", 5.0)
    with Logbook(server.new_database("frozen")) as book:
        # given a server whose connections stay open, and that says nothing more
        try:
            with pytest.raises(StorageFault, match=r"the server has not answered for 0\.5 s"):
                freeze_within_a_transaction(server, book)
            with pytest.raises(StorageFault, match="check that the server runs"):
                book.enter(outcome(1))
        finally:
            server.thaw()
        book.enter(outcome(2))
        assert [entry.serial for entry in entries(book)] == ["VC204-0002"]


def test_a_station_enters_and_an_office_reads_and_neither_can_do_more(server: Server) -> None:
    owner = server.new_database("least_rights")
    for name in ("line_2", "quality"):
        server.sql("postgres", f"CREATE ROLE {name} LOGIN PASSWORD '{PASSWORD}'")
    with pytest.raises(StorageFault, match="logbook rights"):  # nobody has laid it out, and a station may not
        Logbook(server.url("least_rights", user="line_2"))
    Logbook(owner).close()
    server.sql("least_rights", "\n".join(grants("least_rights", stations=["line_2"], offices=["quality"])))
    with Logbook(server.url("least_rights", user="line_2")) as book:
        identifier = book.enter(outcome(0), station="line 2")
        book.enter(outcome(1), station="line 2")
        for statement in (
            "UPDATE outcomes SET verdict = 'pass'",
            "DELETE FROM outcomes",
            "UPDATE readings SET value = 0",
            "DELETE FROM links",
            "UPDATE links SET note = ''",
            "DELETE FROM heads",
            "DROP TABLE readings",
            "UPDATE layout_version SET version = 1",
        ):
            with pytest.raises(StorageFault, match=r"permission denied|must be owner"), book.writing() as connection:
                connection.exec_driver_sql(statement)
    with Logbook(server.url("least_rights", user="quality")) as book:
        assert len(entries(book)) == 2
        assert outcome_as_json(book.outcome(identifier)) == outcome_as_json(outcome(0))
        assert verify(book).flaws == ()
        with pytest.raises(StorageFault, match="permission denied"):
            book.enter(outcome(2))


def test_an_older_layout_is_brought_up_to_date_by_its_owner_only(server: Server) -> None:
    url = server.new_database("older")
    Logbook(url).close()
    server.sql("older", "UPDATE layout_version SET version = 3; CREATE ROLE line_3 LOGIN PASSWORD '" + PASSWORD + "'")
    server.sql("older", "ALTER TABLE outcomes DROP COLUMN simulated")
    server.sql("older", "\n".join(grants("older", stations=["line_3"])))
    with pytest.raises(StorageFault, match=r"layout 3, and this user has no right(.|\n)*as the owner of the database"):
        Logbook(server.url("older", user="line_3"))
    Logbook(url).close()
    Logbook(server.url("older", user="line_3")).close()


@pytest.mark.parametrize("name", ["", 'a"b; DROP TABLE outcomes; --', "x" * 64])
def test_a_name_of_a_user_stays_a_name(name: str) -> None:
    if '"' in name:
        assert all('"a""b; DROP TABLE outcomes; --"' in line for line in grants("line", stations=[name]))
    else:
        with pytest.raises(Misuse, match="expected: the name of a user"):
            list(grants("line", offices=[name]))


def test_one_user_is_not_both() -> None:
    with pytest.raises(Misuse, match="a user of its own for each"):
        list(grants("line", stations=["a"], offices=["a"]))
