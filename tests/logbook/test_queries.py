"""Queries to the logbook."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.logbook.made_outcomes import START, outcome
from wavewright.errors import Misuse
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter, entries, points, reading_names, trend

NAME = "rail_noise.ripple"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Logbook:
    book = Logbook(tmp_path_factory.mktemp("book") / "logbook.sqlite")
    book.enter_all(outcome(number, value=0.020 + 0.0005 * number) for number in range(60))
    book.enter(outcome(60, serial="VC204_A%1", value=None), station="line 2")
    return book


def test_newest_runs_come_first(book: Logbook) -> None:
    newest = entries(book, most=2)
    assert [entry.serial for entry in newest] == ["VC204_A%1", "VC204-0059"]
    assert newest[0].started == START + timedelta(minutes=60)


@pytest.mark.parametrize(
    "which, count",
    [
        (Filter(), 61),
        (Filter(serial="VC204-0007"), 1),
        (Filter(serial="VC204-001*"), 10),
        (Filter(serial="VC204_A%*"), 1),
        (Filter(serial="VC204_*"), 1),
        (Filter(verdict="fail"), 19),
        (Filter(verdict="inconclusive"), 1),
        (Filter(part="VC-204", recipe="rail_ripple"), 61),
        (Filter(part="VC-203"), 0),
        (Filter(station="line 2"), 1),
        (Filter(operator="R. Amsel", since=START + timedelta(minutes=50)), 11),
        (Filter(since=START + timedelta(minutes=10), until=START + timedelta(minutes=20)), 10),
    ],
)
def test_a_filter_leaves(book: Logbook, which: Filter, count: int) -> None:
    assert len(entries(book, which)) == count


def test_points_come_in_the_order_of_time_with_their_limits(book: Logbook) -> None:
    found = points(book, NAME, most=5)
    assert [point.serial for point in found] == [*(f"VC204-{number:04}" for number in range(56, 60)), "VC204_A%1"]
    assert found[0].value == pytest.approx(0.048)
    assert (found[0].low, found[0].high) == (None, pytest.approx(0.040))
    assert found[-1].value is None


def test_a_trend_joins_times_into_buckets(book: Logbook) -> None:
    found = trend(book, NAME, buckets=6)
    assert found.unit == "V"
    assert found.count == 60  # the one without a number is not in it
    assert sum(bucket.failed for bucket in found.buckets) == 19
    assert found.buckets[0].minimum == pytest.approx(0.020)
    assert found.buckets[-1].maximum == pytest.approx(0.0495)
    means = [bucket.mean for bucket in found.buckets]
    assert means == sorted(means)
    # definition: the mean of the times; one reading per minute, 11 of them from minute 0 on
    first = [
        point for point in points(book, NAME) if point.started < found.buckets[1].started and point.value is not None
    ]
    middle = START + sum((point.started - START for point in first), timedelta()) / len(first)
    assert abs(found.buckets[0].middle - middle) < timedelta(seconds=1)


@pytest.mark.parametrize(
    "which", [Filter(serial="VC204-00*"), Filter(since=START, until=START + timedelta(minutes=60))]
)
def test_a_trend_obeys_the_filter(book: Logbook, which: Filter) -> None:
    assert trend(book, NAME, which).count == 60
    assert trend(book, NAME, Filter(serial="VC204-000*")).count == 10


def test_a_trend_of_a_batch_that_is_not_there_counts_nothing(book: Logbook) -> None:
    assert trend(book, NAME, Filter(batch="nosuch")).count == len(points(book, NAME, Filter(batch="nosuch"))) == 0
    assert not Filter(batch="nosuch").is_by_time_only
    assert Filter(since=START).is_by_time_only


def test_a_trend_of_one_moment_is_one_bucket(book: Logbook) -> None:
    assert len(trend(book, NAME, Filter(serial="VC204-0007")).buckets) == 1


def test_an_unknown_reading_names_the_nearest(book: Logbook) -> None:
    with pytest.raises(
        Misuse, match=r"no run has a reading `rail_noise.riple`\n.*\n  do: did you mean `rail_noise.ripple`\?"
    ):
        trend(book, "rail_noise.riple")
    with pytest.raises(Misuse, match="did you mean"):
        points(book, "rail.ripple")


def test_a_filter_that_leaves_nothing_is_no_fault(book: Logbook) -> None:
    assert points(book, NAME, Filter(part="VC-203")) == []
    assert trend(book, NAME, Filter(part="VC-203")).buckets == ()


def test_names_of_all_readings(book: Logbook) -> None:
    assert reading_names(book) == {NAME: "V"}


def test_a_trend_is_read_from_the_index_alone(book: Logbook) -> None:
    with book.reading() as connection:
        rows = connection.exec_driver_sql(
            "explain query plan select started, value, verdict from readings where name = 'x' order by started"
        ).all()
    assert "COVERING INDEX readings_by_name" in str(rows)
