"""A logbook that is away costs no outcome and stops no batch, and each outcome is entered once."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.cli.conftest import Spoken
from tests.ending import STATUS
from tests.logbook.postgresql import Server
from tests.logbook.relay import Relay
from tests.reporting.reported import reported
from wavewright.durable_files import IN_USE
from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.delivery import forward_waiting
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.intake import Imported, import_outcomes
from wavewright.logbook.kept_run import run
from wavewright.logbook.outcome_files import outcome_as_json
from wavewright.logbook.queries import entries
from wavewright.logbook.spool import Forwarded, forward, put_aside
from wavewright.logbook.spool_folder import FOLDER
from wavewright.logbook.verification import verify
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome
from wavewright.running.run_context import Silent

ROOT = Path(__file__).parents[2]
RECIPE, BENCH = ROOT / "recipes" / "rail_ripple.yaml", ROOT / "sim" / "bench.yaml"
Command = Callable[..., Spoken]


class Breaks(Silent):
    """Lets the logbook go away when the measurement has ended, before the outcome is entered."""

    def __init__(self, go: Callable[[], object]) -> None:
        self._go = go

    def end(self, outcome: MeasurementOutcome) -> None:
        self._go()


@contextmanager
def full(path: Path) -> Iterator[None]:
    """The database takes no run, as on a full disk."""
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("create trigger full before insert on outcomes begin select raise(abort, 'disk is full'); end")
    yield
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("drop trigger full")


def waiting(folder: Path) -> list[Path]:
    return sorted((folder / FOLDER).glob("*"))


def put_some_aside(tmp_path: Path, logbook: Path, count: int) -> list[str]:
    """Runs with captures that wait for a logbook; returns their ids."""
    plain = reported()
    ids = []
    for number in range(count):
        made = replace(plain, serial=f"VC204-{number:04}", started=plain.started + timedelta(seconds=number))
        with Evidence(tmp_path / "outcomes", started=made.started, recipe="rail", serial=made.serial) as evidence:
            for shot in made.captures["rail_noise"]:
                evidence.keep("rail_noise", shot)
            made = evidence.finish(made)
        ids.append(f"20260302-0800{number:02}-{number:08x}")
        words = {"station": "line 2", "batch": "lot-7", "logbook": str(logbook)}
        put_aside(tmp_path / "outcomes" / FOLDER, made, identifier=ids[-1], **words)
    return ids


def test_an_outcome_that_the_logbook_does_not_take_waits_and_the_next_run_enters_it(tmp_path: Path) -> None:
    where, out = tmp_path / "book.sqlite", tmp_path / "outcomes"
    Logbook(where).close()
    said: list[str] = []
    how: dict[str, Any] = {"bench": BENCH, "out": out, "logbook": where, "station": "line 2", "say": said.append}
    with full(where):
        outcome = run(RECIPE, serial="VC204-0001", **how)
    assert outcome.verdict == "pass"
    assert outcome.folder is not None
    assert waiting(out) == [outcome.waits_in]
    (line,) = [line for line in said if "waits" in line]
    assert f"disk is full; the outcome waits in {outcome.waits_in}, and the next run or" in line
    assert "\n" not in line
    second = run(RECIPE, serial="VC204-0002", **how)
    assert second.waits_in is None
    assert any(f"1 outcomes that waited in {out / FOLDER} were entered" in line for line in said)
    assert waiting(out) == []
    with Logbook(where) as book:
        assert [entry.id for entry in entries(book)] == [second.id, outcome.id]
        back = book.outcome(outcome.id)
        assert outcome_as_json(back) == outcome_as_json(outcome)
        assert np.array_equal(
            back.captures["rail_noise"][0]["rail"].codes, outcome.captures["rail_noise"][0]["rail"].codes
        )
        assert verify(book).flaws == ()


def test_a_file_of_the_spool_is_read_by_import(tmp_path: Path) -> None:
    (identifier,) = put_some_aside(tmp_path, tmp_path / "book.sqlite", 1)
    (path,) = waiting(tmp_path / "outcomes")
    with Logbook(tmp_path / "book.sqlite") as book:
        assert import_outcomes(book, path) == Imported(1, 0)
        assert len(book.outcome(identifier).captures["rail_noise"]) == 2
        assert (entries(book)[0].station, entries(book)[0].batch) == ("line 2", "lot-7")
        assert forward(book, path.parent) == Forwarded(entered=0, known=1)
    assert waiting(tmp_path / "outcomes") == []


def test_evidence_that_was_imported_is_not_forwarded_a_second_time(tmp_path: Path) -> None:
    put_some_aside(tmp_path, tmp_path / "book.sqlite", 2)
    with Logbook(tmp_path / "book.sqlite") as book:
        assert import_outcomes(book, tmp_path / "outcomes").new == 2
        assert forward(book, tmp_path / "outcomes" / FOLDER) == Forwarded(entered=0, known=2)
        assert len(entries(book)) == 2


def test_without_evidence_the_captures_in_memory_are_kept_with_what_waits(tmp_path: Path) -> None:
    where = tmp_path / "book.sqlite"
    Logbook(where).close()
    with full(where):
        outcome = run(RECIPE, bench=BENCH, logbook=where)
    assert outcome.waits_in is not None
    with Logbook(where) as book:
        forward_waiting(book, None, say=lambda text: None)
        assert len(book.outcome(outcome.id).captures["rail_noise"]) == len(outcome.captures["rail_noise"]) > 0


def test_where_nothing_takes_the_outcome_the_error_has_it(tmp_path: Path) -> None:
    where, out = tmp_path / "book.sqlite", tmp_path / "outcomes"
    Logbook(where).close()
    out.mkdir()
    (out / FOLDER).write_text("in the way")
    with full(where), pytest.raises(StorageFault, match="the outcome cannot be put into the spool") as caught:
        run(RECIPE, bench=BENCH, out=out, logbook=where)
    assert isinstance(caught.value.outcome, Outcome)
    assert caught.value.outcome.folder is not None
    assert caught.value.outcome.verdict == "pass"


def test_what_waits_for_another_logbook_stays_unless_all_is_wanted(
    wavewright: Command,
    tmp_path: Path,
) -> None:
    put_some_aside(tmp_path, tmp_path / "book.sqlite", 2)
    out = ("--out", tmp_path / "outcomes")
    told = wavewright("logbook", "forward", *out, "--logbook", tmp_path / "other.sqlite")
    assert told.stdout == f"0 runs entered, 0 already present\n2 wait for another logbook: {tmp_path / 'book.sqlite'}\n"
    assert told.status == 0
    told = wavewright("logbook", "forward", *out, "--logbook", tmp_path / "other.sqlite", "--all", "--json")
    assert told.json == {"entered": 2, "known": 0, "captures": 0, "elsewhere": {}, "faults": []}


def test_a_damaged_file_and_one_without_evidence_stay_and_the_others_go(
    wavewright: Command,
    tmp_path: Path,
) -> None:
    put_some_aside(tmp_path, tmp_path / "book.sqlite", 4)
    cut, forged, bare, whole = waiting(tmp_path / "outcomes")
    cut.write_text(cut.read_text()[:500])
    plain = json.loads(forged.read_text())
    plain["outcome"]["verdict"] = "pass"
    forged.write_text(json.dumps(plain) + "\n")
    plain = json.loads(bare.read_text())
    (tmp_path / "outcomes" / plain["evidence"]).rename(tmp_path / "aside")
    told = wavewright("logbook", "forward", "--out", tmp_path / "outcomes", "--logbook", tmp_path / "book.sqlite")
    assert told.status == 3
    assert told.stdout == "1 runs entered, 0 already present\n"
    assert f"stays in the spool: {cut}:1: not JSON" in told.stderr
    assert f"stays in the spool: {forged}:1: the verdict of the run, pass" in told.stderr
    assert f"stays in the spool: {bare}:1: its evidence is not beside the spool" in told.stderr
    assert waiting(tmp_path / "outcomes") == [cut, forged, bare]
    assert whole not in waiting(tmp_path / "outcomes")


def test_two_who_forward_at_once_enter_each_run_once(tmp_path: Path) -> None:
    put_some_aside(tmp_path, tmp_path / "book.sqlite", 6)

    def one(_: int) -> Forwarded:
        with Logbook(tmp_path / "book.sqlite") as book:
            return forward(book, tmp_path / "outcomes" / FOLDER)

    with ThreadPoolExecutor(3) as pool:
        found = list(pool.map(one, range(3)))
    assert sum(each.entered for each in found) == 6
    assert not any(each.faults for each in found)
    with Logbook(tmp_path / "book.sqlite") as book:
        assert len(entries(book)) == 6
        assert verify(book).flaws == ()


def test_many_who_open_a_fresh_logbook_at_once_wait_for_one_another(tmp_path: Path) -> None:
    def opened(path: Path) -> int:
        with Logbook(path) as book:
            return len(entries(book))

    with ThreadPoolExecutor(8) as pool:
        for number in range(60):  # two who opened one together found it locked now and then
            assert list(pool.map(opened, 8 * [tmp_path / f"{number}.sqlite"])) == 8 * [0]


KILLED = """
import os, signal, sys, time
from tests.ending import AT_ONCE
from pathlib import Path
from wavewright.logbook.book import Logbook
from wavewright.logbook.spool import forward
book, spool, share = sys.argv[1], Path(sys.argv[2]), float(sys.argv[3])
with Logbook(book) as opened:
    if share < 0:  # the logbook has taken the run, and the file is not gone yet
        Path.unlink = lambda *arguments, **options: os.kill(os.getpid(), AT_ONCE)
    else:
        signal.setitimer(signal.ITIMER_PROF, share)
    forward(opened, spool)
"""


def test_each_run_is_entered_once_wherever_forwarding_is_killed(tmp_path: Path) -> None:
    ids = put_some_aside(tmp_path, tmp_path / "book.sqlite", 6)
    spool = tmp_path / "outcomes" / FOLDER
    killed = 0
    shares = (-1.0, 0.01, 0.03, 0.06, -1.0) if hasattr(signal, "ITIMER_PROF") else (-1.0, -1.0, -1.0)
    endings = {STATUS, -getattr(signal, "SIGPROF", -STATUS)}
    for share in shares:
        command = [sys.executable, "-c", KILLED, str(tmp_path / "book.sqlite"), str(spool), str(share)]
        killed += subprocess.run(command, cwd=ROOT, check=False).returncode in endings
    assert killed >= 3  # else it would prove nothing
    with Logbook(tmp_path / "book.sqlite") as book:
        forward(book, spool)
        assert sorted(entry.id for entry in entries(book)) == ids
        assert all(len(book.outcome(identifier).captures["rail_noise"]) == 2 for identifier in ids)
        assert verify(book).flaws == ()
    assert list(spool.glob("[!.]*")) == []


def test_a_server_that_goes_in_mid_run_costs_nothing(
    wavewright: Command,
    server: Server,
    tmp_path: Path,
) -> None:
    url, out = server.new_database("midrun"), tmp_path / "outcomes"
    said: list[str] = []
    try:
        how: dict[str, Any] = {"bench": BENCH, "out": out, "logbook": url, "say": said.append}
        outcome = run(RECIPE, progress=Breaks(server.stop), **how)
        assert outcome.verdict == "pass"
        assert "S3cret" not in "".join(said) + (outcome.waits_in or Path()).read_text()
        # before a run of its own, a logbook must be there: nothing is sent, nothing is written
        with pytest.raises(StorageFault, match="check that the server runs"):
            run(RECIPE, **how)
        assert len(list(out.iterdir())) == 2
        told = wavewright("logbook", "forward", "--out", out, "--logbook", url)
        assert (told.status, told.stdout) == (3, "")
    finally:
        server.start()
    forwarded = [wavewright("logbook", "forward", "--out", out, "--logbook", url).stdout for _ in range(2)]
    assert forwarded == ["1 runs entered, 0 already present\n", "0 runs entered, 0 already present\n"]
    with Logbook(url) as book:
        assert [entry.id for entry in entries(book)] == [outcome.id]


class Scanner:
    """Gives one serial number after another, and something happens before some of them."""

    def __init__(self, serials: list[str], before: dict[str, Callable[[], object]]) -> None:
        self._serials, self._before = iter(serials), before

    def readline(self) -> str:
        serial = next(self._serials, "")
        self._before.get(serial, lambda: None)()
        return f"{serial}\n"


def test_a_batch_goes_on_while_the_server_is_away(
    wavewright: Command,
    server: Server,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    url, out = server.new_database("lots"), tmp_path / "outcomes"
    serials = [f"VC204-000{number}" for number in range(2, 9)]
    alone = ("run", RECIPE, "--bench", ROOT / "sim" / "bench_line.yaml", "--yes", "--seed-from-serial", "--out", out)
    command = (*alone, "--logbook", url, "--batch", "--batch-name", "lot-7")
    monkeypatch.setattr("sys.stdin", Scanner(serials[:5], {serials[1]: server.stop, serials[3]: server.start}))
    told = wavewright(*command)
    assert told.status == 0
    assert told.stderr.count("the outcome waits in") == 2
    assert "2 outcomes that waited" in told.stderr
    assert "first-pass yield: 100.0 % (5 of 5 units)" in told.stdout
    # away at the end: the verdicts are there, the study is not
    monkeypatch.setattr("sys.stdin", Scanner(serials, {serials[6]: server.stop}))
    try:
        told = wavewright(*command)
        assert told.status == 0
        assert told.stderr.count("already passed in this batch") == 5
        assert "no study of the batch: " in told.stderr
        assert told.stdout.startswith("7 runs\n")
        assert "S3cret" not in told.stdout + told.stderr
        assert len(waiting(out)) == 1
    finally:
        server.start()
    assert wavewright("logbook", "forward", "--out", out, "--logbook", url).stdout.startswith("1 runs entered")
    with Logbook(url) as book:
        assert sorted(entry.serial for entry in entries(book)) == serials
        assert {entry.batch for entry in entries(book)} == {"lot-7"}
        assert verify(book).flaws == ()


STATION = """
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from tests.logbook.made_outcomes import outcome
from wavewright.logbook.delivery import Delivery
url, out, name, count = sys.argv[1], Path(sys.argv[2]), sys.argv[3], int(sys.argv[4])
for number in range(count):
    sys.stdin.readline()  # goes on when it is told to; at once where nobody tells it anything
    made = outcome(number, serial=f"{name}-{number}", seed=number)
    delivery = Delivery(url, out=out, may_be_away=True, say=lambda text: None)
    gone = delivery.deliver(made, made, station=name, batch="lot-7")
    delivery.close()
    print(gone.id, gone.verdict, gone.waits_in is not None, flush=True)
"""
IS_FULL = os.environ.get("WAVEWRIGHT_PROOF") == "full"
STATIONS, UNITS, STOPS = (6, 100, 10) if IS_FULL else (3, 12, 3)
CALLS, PATIENCE = (6, 10) if IS_FULL else (1, 2)  # connections without an answer, each given up after so many seconds


def test_stations_lose_nothing_and_enter_nothing_twice_while_the_server_comes_and_goes(
    server: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    url = server.new_database("line")
    names = [f"line {number}" for number in range(STATIONS)]
    with Relay(server.port, cut_after=UNITS // 4, calls=CALLS) as cable:
        addresses = dict.fromkeys(names, url)
        addresses[names[-1]] = f"{server.url('line', port=cable.port)}?connect_timeout={PATIENCE}"
        told = told_by_stations(server, addresses, tmp_path)
        assert cable.unanswered == CALLS
    waited = sum(line.split()[2] == "True" for line in told)
    assert waited >= STOPS + CALLS  # else it would prove nothing
    with Logbook(url) as book:
        for name in names:
            forward(book, tmp_path / name / FOLDER, whatever=True)  # the last one knows the server by another port
            assert waiting(tmp_path / name) == []
        ids = [entry.id for entry in entries(book)]
        assert sorted(ids) == sorted(line.split()[0] for line in told)
        assert len({entry.serial for entry in entries(book)}) == len(ids) == STATIONS * UNITS
        assert {line.split()[1] for line in told} == {"pass"}
        assert verify(book).flaws == ()
    with capsys.disabled():
        made = f"{STATIONS * UNITS} outcomes, server stopped {STOPS} times, one station cut off, {waited} waited"
        print(f"\nspool: {made}: {len(ids)} entered, none twice")


def told_by_stations(server: Server, addresses: dict[str, str], folder: Path) -> list[str]:
    """What stations say that run at once while the server is stopped and started; one line for each unit."""
    stations = [
        subprocess.Popen(
            [sys.executable, "-c", STATION, url, str(folder / name), name, str(UNITS)],
            cwd=ROOT,
            stdin=subprocess.DEVNULL if number else subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for number, (name, url) in enumerate(addresses.items())
    ]
    told: list[str] = []
    every = UNITS // (STOPS + 1)
    for _ in range(STOPS):  # after so many outcomes of the first station it goes, and comes after as many again
        told += made_by(stations[0], every - every // 2)
        server.stop()
        told += made_by(stations[0], every // 2)
        server.start()
    for station in stations:
        told += station.communicate()[0].splitlines()
    assert [station.returncode for station in stations] == [0] * STATIONS
    return told


def made_by(station: subprocess.Popen[str], count: int) -> list[str]:
    """What a station says of the next outcomes, which it waits to be told to make: none is made while nobody looks."""
    assert station.stdin is not None
    assert station.stdout is not None
    station.stdin.write(count * "\n")
    station.stdin.flush()
    return [station.stdout.readline() for _ in range(count)]


def test_what_is_entered_and_cannot_be_deleted_is_said_and_known_the_next_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given an outcome that waits, and a program that has its file open
    put_some_aside(tmp_path, tmp_path / "book.sqlite", 1)

    def refuse(path: Path) -> None:
        raise PermissionError(13, IN_USE, str(path))

    with Logbook(tmp_path / "book.sqlite") as book, monkeypatch.context() as held:
        held.setattr("wavewright.logbook.spool.take_away", refuse)
        found = forward(book, tmp_path / "outcomes" / FOLDER)
    assert found.entered == 1
    assert "it was entered, and cannot be deleted: another program has it open" in found.faults[0]
    with Logbook(tmp_path / "book.sqlite") as book:
        found = forward(book, tmp_path / "outcomes" / FOLDER)
        assert (found.entered, found.known, found.faults) == (0, 1, ())
        assert len(entries(book)) == 1
