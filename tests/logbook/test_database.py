"""The logbook in PostgreSQL, on a real server: laid out once, whoever comes first; one writer at a time."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from tests.logbook.postgresql import Server
from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.outcome_files import outcome_as_json
from wavewright.logbook.queries import entries

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
