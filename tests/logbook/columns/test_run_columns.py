"""Runs in memory leave what the database leaves, whatever the filter and in whatever order they came."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.logbook.made_outcomes import START, outcome
from wavewright.logbook.book import Logbook
from wavewright.logbook.columns.followed_logbook import FollowedLogbook
from wavewright.logbook.columns.line_figures import figures_by, figures_by_day, figures_of
from wavewright.logbook.line_notes import enter_notes
from wavewright.logbook.maintenance import prune
from wavewright.logbook.quarantine import set_apart
from wavewright.logbook.queries import Filter, entries, points
from wavewright.logbook.studies.proportions import final_yield, first_pass_yield

FILTERS = [
    Filter(),
    Filter(part="VC-204"),
    Filter(part="absent"),
    Filter(serial="VC204-0003"),
    Filter(serial="VC204-000*"),
    Filter(serial="*_0003"),
    Filter(recipe="rail_ripple", verdict="fail"),
    Filter(station="line_2", operator="R. Amsel"),
    Filter(batch="lot-7"),
    Filter(since=START + timedelta(minutes=4), until=START + timedelta(minutes=9)),
    Filter(simulated=True),
    Filter(simulated=False, station="line_1"),
    Filter(golden=False),
]


def entered(book: Logbook, numbers: range, *, station: str) -> list[str]:
    made = [
        replace(outcome(n, value=0.05 if n % 4 == 0 else 0.03, serial=f"VC204-{n % 7:04}"), is_simulated=n % 5 == 0)
        for n in numbers
    ]
    return book.enter_all(made, station=station, batch="lot-7" if station == "line_1" else "")


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with Logbook(tmp_path / "book.sqlite") as made:
        yield made


def learnt(book: Logbook) -> FollowedLogbook:
    """A logbook whose runs were learnt of in three steps, those of the second station late and earlier than others."""
    followed = FollowedLogbook(book)
    followed.now()
    for numbers, station in ((range(5, 15), "line_1"), (range(0, 8), "line_2"), (range(20, 23), "line_1")):
        entered(book, numbers, station=station)
        followed.now()
    return followed


@pytest.fixture
def followed(book: Logbook) -> FollowedLogbook:
    return learnt(book)


@pytest.fixture(scope="module")
def unchanged(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Logbook, FollowedLogbook]]:
    """One for the tests that only read."""
    with Logbook(tmp_path_factory.mktemp("line") / "book.sqlite") as made:
        yield made, learnt(made)


Unchanged = tuple[Logbook, FollowedLogbook]


@pytest.mark.parametrize("which", FILTERS, ids=str)
def test_a_filter_leaves_what_the_database_leaves(unchanged: Unchanged, which: Filter) -> None:
    book, followed = unchanged
    runs = followed.now().runs
    found = [runs.entry(number) for number in runs.chosen(which)]
    assert found == entries(book, which)[::-1]


@pytest.mark.parametrize("which", FILTERS, ids=str)
def test_yields_are_those_of_the_study(unchanged: Unchanged, which: Filter) -> None:
    book, followed = unchanged
    runs = followed.now().runs
    numbers = runs.chosen(which)
    units = [(run.serial or run.id, run.verdict == "pass") for run in entries(book, which)[::-1]]
    if not units:
        return
    figures = figures_of(runs, numbers)
    first, last = first_pass_yield(units), final_yield(units)
    assert (figures.first_passed, figures.units) == (first.count, first.total)
    assert (figures.last_passed, figures.units) == (last.count, last.total)
    for grouped in (figures_by(runs, numbers, "station"), figures_by_day(runs, numbers)):
        assert sum(one.runs for one in grouped) == figures.runs
        assert sum(one.not_passed for one in grouped) == figures.not_passed


def test_what_was_learnt_step_by_step_is_what_is_read_at_once(unchanged: Unchanged) -> None:
    book, followed = unchanged
    step, whole = followed.now(), FollowedLogbook(book).now()
    assert [step.runs.ids[n] for n in step.runs.order] == [whole.runs.ids[n] for n in whole.runs.order]
    by_id = lambda at: {at.runs.ids[n]: bool(at.runs.is_first[n]) for n in range(len(at.runs))}  # noqa: E731
    assert by_id(step) == by_id(whole)
    assert step.units == whole.units == {"rail_noise.ripple": "V"}
    every = (at.failed.counted(at.runs.order, of=len(at.runs)) for at in (step, whole))
    assert len({tuple(one.items()) for one in every}) == 1


def test_failed_readings_and_values_are_those_of_the_table(unchanged: Unchanged) -> None:
    book, followed = unchanged
    at = followed.now()
    which = Filter(station="line_2")
    numbers = at.runs.chosen(which)
    there = points(book, "rail_noise.ripple", which)
    kept = followed.readings(at, "rail_noise.ripple")
    _, rows = kept.rows(numbers)
    assert kept.value[rows].tolist() == [one.value for one in there]
    assert kept.has(rows, "fail").tolist() == [one.verdict == "fail" for one in there]
    assert at.failed.counted(numbers, of=len(at.runs)) == {
        "rail_noise.ripple": sum(one.verdict == "fail" for one in there)
    }


def test_readings_that_are_kept_get_the_new_ones(book: Logbook, followed: FollowedLogbook) -> None:
    before = followed.readings(followed.now(), "rail_noise.ripple")
    entered(book, range(30, 34), station="line_1")
    at = followed.now()
    after = followed.readings(at, "rail_noise.ripple")
    assert after.value.size == before.value.size + 4 == len(at.runs)
    assert after.value[after.rows(at.runs.chosen(Filter()))[1]].tolist() == [
        one.value for one in points(book, "rail_noise.ripple")
    ]


def test_nothing_new_is_told_by_one_row_per_station(unchanged: Unchanged) -> None:
    _, followed = unchanged
    assert followed.now() is followed.now()


def test_runs_that_were_pruned_are_gone(book: Logbook, followed: FollowedLogbook) -> None:
    before = followed.now()
    prune(book, Filter(serial="VC204-0003"))
    after = followed.now()
    assert after.epoch == before.epoch + 1
    assert len(after.runs) == len(entries(book)) < len(before.runs)
    assert not after.runs.chosen(Filter(serial="VC204-0003")).size


def test_a_unit_without_a_serial_number_is_a_unit_by_itself(book: Logbook) -> None:
    book.enter_all([replace(outcome(n), serial="") for n in range(3)])
    runs = FollowedLogbook(book).now().runs
    assert figures_of(runs, runs.chosen(Filter())).units == 3


def test_a_first_run_that_comes_late_takes_the_place_of_the_first(book: Logbook) -> None:
    followed = FollowedLogbook(book)
    book.enter(outcome(10, serial="VC204-0001"), station="line_1")
    assert followed.now().runs.is_first.tolist() == [True]
    book.enter(outcome(5, serial="VC204-0001"), station="line_2")
    runs = followed.now().runs
    assert runs.is_first.tolist() == [False, True]
    assert runs.moved == 1
    assert np.array_equal(runs.order, [1, 0])


def test_reading_alone_the_database_refuses_a_change(book: Logbook) -> None:
    book.enter(outcome())
    with Logbook.existing(book.where, read_only=True) as reader:
        assert len(entries(reader)) == 1
        with pytest.raises(Exception, match="readonly"):
            reader.enter(outcome(1))
        with pytest.raises(Exception, match="readonly"):
            prune(reader, Filter())


def test_notes_of_the_line_are_counted_and_no_reason_to_read_all_runs_anew(
    book: Logbook, followed: FollowedLogbook
) -> None:
    before = followed.now()
    enter_notes(book, [set_apart(["VC204-0003"], reason="cracked")])
    entered(book, range(40, 42), station="line_1")
    after = followed.now()
    assert (after.epoch, after.notes - before.notes) == (before.epoch, 1)
    assert len(after.runs) == len(before.runs) + 2
    assert [note.says["reason"] for note in followed.notes(after)] == ["cracked"]
    assert FollowedLogbook(book).now().notes == 1
