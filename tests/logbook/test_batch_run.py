"""A batch: what is taken, what is refused, when it stops, and how it goes on after a crash."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.batch_run import BatchDone, run_batch, seed_of
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter, entries
from wavewright.running.outcome import Outcome

RECIPE = "rail_ripple"


@dataclass
class Heard:
    """A desk that writes down what it is told."""

    told: list[str] = field(default_factory=list)

    def refused(self, serial: str, why: str) -> None:
        self.told.append(f"{serial} {why}")

    def judged(self, outcome: Outcome, done: BatchDone) -> None:
        self.told.append(f"{outcome.serial} {outcome.verdict}, {len(done.runs)} runs")

    def stopped(self, why: str) -> None:
        self.told.append(why)


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    return Logbook(tmp_path / "logbook.sqlite")


def running(book: Logbook, *, batch: str = "lot", bad: tuple[str, ...] = ()) -> Callable[[str], Outcome]:
    numbers: Iterator[int] = iter(range(1000))

    def one(serial: str) -> Outcome:
        made = outcome(next(numbers), serial=serial, value=0.045 if serial in bad else 0.024)
        return replace(made, id=book.enter(made, batch=batch))

    return one


def test_every_unit_is_run_and_entered_under_the_batch(book: Logbook) -> None:
    done = run_batch(["A1", " A2\n"], running(book), book=book, recipe=RECIPE, batch="lot", desk=Heard())
    assert [serial for _, serial, _ in done.runs] == ["A1", "A2"]
    assert done.verdict is Verdict.PASS
    assert len(entries(book, Filter(batch="lot"))) == 2


@pytest.mark.parametrize("end", ["", "end", "END\n", "  \n"])
def test_an_empty_line_or_end_ends_the_batch(book: Logbook, end: str) -> None:
    done = run_batch(["A1", end, "A2"], running(book), book=book, recipe=RECIPE, batch="lot", desk=Heard())
    assert len(done.runs) == 1


def test_a_serial_number_that_does_not_match_is_refused(book: Logbook) -> None:
    heard = Heard()
    done = run_batch(
        ["VC204-0001", "VC204-1", "xVC204-0001"], running(book), book=book, recipe=RECIPE, batch="lot",
        pattern=r"VC204-\d{4}", desk=heard,
    )  # fmt: skip
    assert len(done.runs) == 1
    assert heard.told[1:] == [r"VC204-1 does not match `VC204-\d{4}`", r"xVC204-0001 does not match `VC204-\d{4}`"]


def test_a_unit_that_has_passed_is_refused_unless_told(book: Logbook) -> None:
    run = running(book, batch="yesterday")
    run("A1")
    heard = Heard()
    refused = run_batch(["A1"], run, book=book, recipe=RECIPE, batch="lot", desk=heard)
    assert refused.runs == []
    assert heard.told[0].startswith("A1 already passed on 2026-03-02 08:00 UTC (run 20260302-080000-")
    taken = run_batch(["A1"], run, book=book, recipe=RECIPE, batch="lot", repeat_passed=True, desk=Heard())
    assert len(taken.runs) == 1


def test_a_unit_that_has_passed_another_recipe_is_taken(book: Logbook) -> None:
    running(book)("A1")
    done = run_batch(["A1"], running(book), book=book, recipe="end_of_line", batch="lot", desk=Heard())
    assert len(done.runs) == 1


def test_a_unit_that_failed_may_come_again_and_the_last_run_counts(book: Logbook) -> None:
    bad = ["A1"]
    run = running(book, bad=("A1",))
    done = run_batch(["A1", "A2"], run, book=book, recipe=RECIPE, batch="lot", desk=Heard())
    assert done.verdict is Verdict.FAIL
    again = run_batch(bad, running(book), book=book, recipe=RECIPE, batch="lot", desk=Heard())
    assert again.verdict is Verdict.PASS
    assert len(again.runs) == 3


def test_too_many_failures_in_a_row_stop_the_batch(book: Logbook) -> None:
    heard = Heard()
    done = run_batch(
        ["A1", "A2", "A3", "A4", "A5"], running(book, bad=("A1", "A3", "A4")), book=book, recipe=RECIPE, batch="lot",
        stop_after=2, desk=heard,
    )  # fmt: skip
    assert [serial for _, serial, _ in done.runs] == ["A1", "A2", "A3", "A4"]
    assert done.stopped == heard.told[-1] == "2 units in a row did not pass"


def test_a_batch_that_broke_off_goes_on_where_it_was(book: Logbook) -> None:
    run = running(book, bad=("A2",))

    def crashing(serial: str) -> Outcome:
        if serial == "A3":
            raise KeyboardInterrupt
        return run(serial)

    lot = ["A1", "A2", "A3", "A4"]
    with pytest.raises(KeyboardInterrupt):
        run_batch(lot, crashing, book=book, recipe=RECIPE, batch="lot", desk=Heard())
    heard = Heard()
    done = run_batch(lot, run, book=book, recipe=RECIPE, batch="lot", desk=heard)
    # what has passed is not run again; what failed is, and everything counts together
    assert heard.told == ["A1 already passed in this batch", "A2 fail, 3 runs", "A3 pass, 4 runs", "A4 pass, 5 runs"]
    assert len(entries(book, Filter(batch="lot"))) == 5
    assert done.verdict is Verdict.FAIL


def test_no_unit_at_all_is_inconclusive() -> None:
    assert BatchDone().verdict is Verdict.INCONCLUSIVE


def test_a_serial_number_stands_for_one_simulated_board() -> None:
    assert seed_of("VC204-0001") == seed_of("VC204-0001") != seed_of("VC204-0002")
