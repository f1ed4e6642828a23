"""Runs in memory leave what the database leaves, whatever the filter and in whatever order they came."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.logbook.made_outcomes import START, origin, outcome
from wavewright.logbook.book import Logbook
from wavewright.logbook.columns import line_figures
from wavewright.logbook.columns.followed_logbook import FollowedLogbook
from wavewright.logbook.columns.line_figures import figures_by, figures_by_day, figures_of
from wavewright.logbook.columns.unit_standing import UnitStanding
from wavewright.logbook.line_notes import NoteKind, enter_notes, note_now, notes_in
from wavewright.logbook.maintenance import prune
from wavewright.logbook.quarantine import release, set_apart
from wavewright.logbook.queries import Filter, entries, points
from wavewright.logbook.tables import GOLDEN_BATCH, moment_of
from wavewright.logbook.unit_verdicts import unit_results

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
    book.enter(outcome(40, serial="VC204-GOOD"), station="line_1", batch=GOLDEN_BATCH)
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
    at = followed.now()
    runs, standing, numbers = at.runs, at.standing, at.runs.chosen(which)
    units = unit_results(book, entries(book, which)[::-1])
    if not units:
        return
    figures = figures_of(runs, standing, numbers)
    assert figures.units == len(units)
    assert figures.first_passed == sum(one.runs[0].verdict == "pass" for one in units)
    assert figures.good == sum(one.is_good for one in units)
    assert figures.apart == sum(bool(one.quarantine) for one in units)
    for grouped in (figures_by(runs, standing, numbers, "station"), figures_by_day(runs, standing, numbers)):
        assert sum(one.runs for one in grouped) == figures.runs
        assert sum(one.not_passed for one in grouped) == figures.not_passed


def test_a_clock_that_was_wrong_adds_one_day_and_not_all_between(
    book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    days = [datetime(1, 1, 1, tzinfo=UTC), START, START + timedelta(minutes=1), datetime(9999, 12, 31, 23, tzinfo=UTC)]
    for number, moment in enumerate(days):
        book.enter(replace(outcome(number), started=moment, ended=moment))
    made: list[int] = []

    def counted(count: int) -> datetime:
        made.append(count)
        return moment_of(count)

    monkeypatch.setattr(line_figures, "moment_of", counted)
    at = FollowedLogbook(book).now()
    found = figures_by_day(at.runs, at.standing, at.runs.chosen(Filter()))
    assert [(one.name, one.runs) for one in found] == [("0001-01-01", 1), (f"{START:%Y-%m-%d}", 2), ("9999-12-31", 1)]
    assert len(made) == 3 * len(found)  # its name, its first and its last run


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


RETESTED = "wavewright: 1\ntitle: VC-204 rail\nretest: {at_most: 2, when: [fail], verdict: 2 of 3 pass}\n"


def test_a_rule_for_retests_and_a_quarantine_decide_of_units(book: Logbook) -> None:
    followed = FollowedLogbook(book)
    for number, value in enumerate((0.05, 0.03, 0.05, 0.03, 0.05, 0.05)):  # units 0 and 1 in turns
        run = outcome(number, serial=f"VC204-000{number % 2}", value=value)
        book.enter(replace(run, recipe=origin("recipes/rail_ripple.yaml", RETESTED)), station="line_1")
        followed.now()

    def good() -> dict[str, bool]:
        at = followed.now()
        found = {
            serial: figures_of(at.runs, at.standing, at.runs.chosen(Filter(serial=serial))).good == 1
            for serial in ("VC204-0000", "VC204-0001")
        }
        assert found == {one.serial: one.is_good for one in unit_results(book, entries(book)[::-1])}
        return found

    # unit 1 failed in its last run, and has passed by the rule
    assert good() == {"VC204-0000": False, "VC204-0001": True}
    epoch = followed.now().epoch
    # when it is set apart, then it is not a good unit; when it is released, it is one again
    enter_notes(book, [set_apart(["VC204-0001"], reason="scratched", station="line_1", operator="R. Amsel")])
    assert good() == {"VC204-0000": False, "VC204-0001": False}
    assert followed.now().noted == 2
    enter_notes(
        book, [release(["VC204-0001"], notes_in(book), reason="cleaned", operator="R. Amsel", station="line_1")]
    )
    assert good() == {"VC204-0000": False, "VC204-0001": True}
    # a note of the line makes nobody read everything again
    enter_notes(book, [note_now(NoteKind.ANSWER, station="line_1", entry="chart", run="x", answer="go on")])
    assert (followed.now().epoch, followed.now().noted) == (epoch, 4)


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
    assert figures_of(runs, UnitStanding(), runs.chosen(Filter())).units == 3


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
