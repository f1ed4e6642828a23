"""Runs on a simulated bench are known as such in the logbook, and no study mixes them in silence with real ones."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.cli.main import execute
from wavewright.logbook.batch_run import run_batch
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter, entries, without_simulated
from wavewright.logbook.verification import verify
from wavewright.running.outcome import Outcome


@pytest.fixture
def where(tmp_path: Path) -> Path:
    return tmp_path / "book.sqlite"


@pytest.fixture
def book(where: Path) -> Iterator[Logbook]:
    with Logbook(where) as opened:
        yield opened


def made(serial: str, *, simulated: bool) -> Outcome:
    return replace(outcome(serial=serial), is_simulated=simulated)


def test_each_run_says_which_it_was(book: Logbook) -> None:
    book.enter_all([made("A1", simulated=True), made("A2", simulated=False)])
    assert {entry.serial: entry.simulated for entry in entries(book)} == {"A1": True, "A2": False}
    assert [entry.serial for entry in entries(book, Filter(simulated=False))] == ["A2"]
    assert not verify(book).flaws


def test_a_simulated_run_told_as_a_real_one_is_found(book: Logbook, where: Path) -> None:
    book.enter(made("A1", simulated=True))
    with sqlite3.connect(where) as plain:
        plain.execute("update outcomes set simulated = 0")
    assert verify(book).flaws


def test_a_study_leaves_simulated_runs_out_where_there_are_real_ones(book: Logbook) -> None:
    book.enter_all([made("A1", simulated=True), made("A2", simulated=False), made("A3", simulated=False)])
    chosen = without_simulated(book, Filter())
    assert (chosen.which.simulated, chosen.real, chosen.left_out) == (False, 2, 1)
    assert without_simulated(book, Filter(), keep=True).which.simulated is None
    only = without_simulated(book, Filter(serial="A1"))
    assert (only.which.simulated, only.simulated, only.left_out) == (None, 1, 0)


def test_yield_says_what_it_left_out(book: Logbook, where: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book.enter_all([made("A1", simulated=True), made("A2", simulated=False)])
    assert execute(["study", "yield", "--logbook", str(where)]) == 0
    said = capsys.readouterr()
    assert "of 1 units" in said.out
    assert "1 runs on simulated benches are left out" in said.err
    assert execute(["study", "yield", "--simulated", "--logbook", str(where)]) == 0
    said = capsys.readouterr()
    assert "of 2 units" in said.out
    assert "1 of 2 runs are on simulated benches" in said.err


class Silent:
    def refused(self, serial: str, why: str) -> None: ...

    def judged(self, outcome: Outcome, done: object) -> None: ...

    def stopped(self, why: str) -> None: ...


@pytest.mark.parametrize("before, now, runs", [(True, False, 1), (False, False, 0), (True, True, 0), (False, True, 1)])
def test_a_pass_on_a_simulated_bench_does_not_spare_a_unit_the_real_one(
    book: Logbook, before: bool, now: bool, runs: int
) -> None:
    entered = made("A1", simulated=before)
    book.enter(entered)
    assert entered.verdict == "pass"

    def run_one(serial: str) -> Outcome:
        again = made(serial, simulated=now)
        return replace(again, id=book.enter(again, batch="lot"))

    recipe = entries(book)[0].recipe
    done = run_batch(["A1"], run_one, book=book, recipe=recipe, batch="lot", simulated=now, desk=Silent())
    assert len(done.runs) == runs


def test_an_older_logbook_learns_it_from_what_its_runs_say(book: Logbook, where: Path) -> None:
    simulated = {"digitizer": "Wavewright,Simulated digitizer,WD-0204,1.0"}
    book.enter_all([replace(outcome(serial="A1"), identities=simulated), replace(outcome(serial="A2"), identities={})])
    book.close()
    with sqlite3.connect(where) as plain:
        plain.execute("update outcomes set document = json_remove(document, '$.simulated', '$.draw')")
        plain.execute("alter table outcomes drop column simulated")
        plain.execute("drop table links")
        plain.execute("drop table heads")
        plain.execute("update layout_version set version = 2")
    with Logbook(where) as again:
        assert {entry.serial: entry.simulated for entry in entries(again)} == {"A1": True, "A2": False}
        assert not verify(again).flaws
