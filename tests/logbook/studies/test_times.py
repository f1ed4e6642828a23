"""Where the seconds of many runs went; percentiles by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.errors import Misuse
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter
from wavewright.logbook.studies.times import times_of_runs
from wavewright.running.outcome import Outcome


def unit(number: int, *, trigger: float, rest: float = 1.0) -> Outcome:
    made = outcome(number, serial=f"U{number}")
    one = made.measurements[0]
    return replace(
        made,
        times={"trigger": trigger, "rest": rest},
        measurements=(replace(one, times={"trigger": trigger, "rest": 0.0}), *made.measurements[1:]),
    )


def book_of(path: Path, runs: list[tuple[Outcome, str]]) -> Path:
    with Logbook(path / "l.sqlite") as book:
        for number, (made, station) in enumerate(runs):
            book.enter_all([replace(made, serial=f"U{number}")], station=station)
    return path / "l.sqlite"


def test_median_percentiles_and_shares(tmp_path: Path) -> None:
    # triggers of 0, 1, … 20 s: percentiles fall on the values themselves (5 % of 20 intervals is one of them)
    runs = [(unit(number, trigger=float(number)), "a" if number < 11 else "b") for number in range(21)]
    with Logbook(book_of(tmp_path, runs)) as book:
        found = times_of_runs(book, Filter()).plain
        assert times_of_runs(book, Filter(station="b")).plain["runs"] == 10
    parts = {one["name"]: one for one in found["parts"]}
    trigger = parts["trigger"]
    assert (trigger["median"], trigger["low"], trigger["high"]) == pytest.approx((10.0, 1.0, 19.0))
    # 210 s of triggers beside 21 s of rest
    assert trigger["share"] == pytest.approx(210 / 231)
    assert sum(one["share"] for one in found["parts"]) == pytest.approx(1.0)
    assert found["whole"]["median"] == pytest.approx(11.0)
    assert [(one["name"], one["runs"], one["median"]) for one in found["stations"]] == [("a", 11, 6.0), ("b", 10, 16.5)]
    first = found["measurements"][0]
    assert (first["runs"], first["share"]) == (21, pytest.approx(210 / 231))


def test_runs_that_do_not_say_where_their_time_went_are_left_out_and_counted(tmp_path: Path) -> None:
    with Logbook(book_of(tmp_path, [(unit(1, trigger=2.0), ""), (outcome(2), "")])) as book:
        found = times_of_runs(book, Filter())
    assert (found.plain["runs"], found.plain["without_times"]) == (1, 1)
    assert "1 run without times" in found.lines[0]


def test_a_study_of_nothing_is_refused(tmp_path: Path) -> None:
    with Logbook(book_of(tmp_path, [(outcome(2), "")])) as book:
        with pytest.raises(Misuse, match="none of 1 runs says where its time went"):
            times_of_runs(book, Filter())
        with pytest.raises(Misuse, match="no runs"):
            times_of_runs(book, Filter(station="nowhere"))
