"""The report of many runs, and pictures of trends."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from tests.reporting.conftest import Visit
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter, points, trend
from wavewright.reporting.batch import batch_report, study_batch, write_batch_report
from wavewright.reporting.trend_page import write_trend_page
from wavewright.reporting.trend_text import trend_lines

NAME = "rail_noise.ripple"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Logbook:
    book = Logbook(tmp_path_factory.mktemp("batch") / "logbook.sqlite")
    book.enter_all(outcome(number, value=0.024 + 0.0002 * (number % 5)) for number in range(20))
    book.enter(outcome(20, serial="VC204-0020", value=0.058))
    book.enter(outcome(21, serial="VC204-0020", value=0.025))  # repaired, and run again
    return book


def test_first_pass_yield_counts_units_and_their_first_runs(book: Logbook) -> None:
    study = study_batch(book)
    assert (study.first_pass.count, study.first_pass.total) == (20, 21)
    assert (study.final.count, study.final.total) == (21, 21)


def test_the_reading_that_failed_leads_with_its_capability(book: Logbook) -> None:
    study = study_batch(book)
    assert [(row.cause, row.count) for row in study.pareto] == [(NAME, 1)]
    (one,) = study.readings
    assert one.failed == 1
    assert one.capability is not None
    # math: (40 mV - mean) / 3 s over the 22 values
    values = [point.value for point in one.points]
    mean = sum(values) / 22
    s = (sum((value - mean) ** 2 for value in values) / 21) ** 0.5
    assert one.capability.cpk == pytest.approx((0.040 - mean) / (3 * s))
    assert one.capability.cp is None


def test_named_runs_only(book: Logbook) -> None:
    last = study_batch(book).runs[-1].id
    study = study_batch(book, ids=[last, "last"])
    assert [run.id for run in study.runs] == [last]


def test_no_runs_make_no_report(book: Logbook) -> None:
    with pytest.raises(Misuse, match="no runs"):
        study_batch(book, Filter(part="VC-203"))


def test_a_batch_report_is_html_only(book: Logbook, tmp_path: Path) -> None:
    with pytest.raises(Misuse, match=r"file extension `\.pdf`"):
        write_batch_report(book, tmp_path / "batch.pdf")
    with pytest.raises(StorageFault, match="the report cannot be written"):
        write_batch_report(book, tmp_path / "missing" / "batch.html")


def test_the_page_says_yield_and_names_the_odd_unit(book: Logbook) -> None:
    page = batch_report(study_batch(book))
    assert re.search(r"First-pass yield</dt><dd>95\.2 % <small>\(20 of 21 units", page)
    assert "Outside them: VC204-0020" in page


LAYERS = """(name) => document.getElementById(name).chart.picture.panels[0].layers.map((one) =>
  ({ kind: one.kind, count: (one.heights ?? one.y).length, ends: Array.from(one.edges ?? one.x) }))"""
LABELS = "(name) => document.getElementById(name).chart.picture.panels[0].marks.map((one) => one.label)"


@pytest.mark.browser
def test_a_browser_draws_every_chart(visit: Callable[..., Visit], book: Logbook) -> None:
    seen = visit(batch_report(study_batch(book)))
    assert seen.said == []
    assert len(seen.asked) == 1
    assert [one["kind"] for one in seen.page.evaluate(LAYERS, "all-pareto")] == ["bars", "curve"]
    (bars,) = seen.page.evaluate(LAYERS, "r1-histogram")
    low, high = seen.page.evaluate("document.getElementById('r1-histogram').chart.view")
    assert bars["count"] > 3
    # no bar is cut off by the frame of the plot
    assert low < min(bars["ends"])
    assert max(bars["ends"]) < high
    assert seen.page.evaluate(LABELS, "r1-histogram") == ["limit 40 mV"]
    assert seen.page.evaluate(LABELS, "r1-single") == ["lower control limit", "centre line", "upper control limit"]
    assert [seen.page.evaluate(LAYERS, name)[0]["count"] for name in ("r1-single", "r1-range")] == [22, 21]


@pytest.mark.browser
def test_a_browser_draws_a_trend(visit: Callable[..., Visit], book: Logbook, tmp_path: Path) -> None:
    write_trend_page(trend(book, NAME), points(book, NAME), tmp_path / "trend.html")
    seen = visit((tmp_path / "trend.html").read_text())
    assert seen.said == []
    points_ = next(one for one in seen.page.evaluate(LAYERS, "trend") if one["kind"] == "points")
    assert points_["count"] == 22
    low, high = seen.page.evaluate("document.getElementById('trend').chart.view")
    assert low < min(points_["ends"])
    assert max(points_["ends"]) < high
    assert "limit 40 mV" in seen.page.evaluate(LABELS, "trend")
    seen.page.click("#trend [data-move=in]")
    assert seen.said == []


def test_a_trend_in_the_terminal(book: Logbook) -> None:
    lines = list(trend_lines(trend(book, NAME, buckets=11), height=5))
    assert lines[0] == "rail_noise.ripple: 22 readings, 1 failed"
    assert lines[1].startswith("58 mV ┤")
    assert "×" in "".join(lines)
    assert lines[-1].endswith("2026-03-02 08:00 … 2026-03-02 08:19 UTC")


def test_a_trend_of_nothing_says_so(book: Logbook, tmp_path: Path) -> None:
    empty = trend(book, NAME, Filter(part="VC-203"))
    assert list(trend_lines(empty)) == ["rail_noise.ripple: no readings"]
    with pytest.raises(Misuse, match="widen the filter"):
        write_trend_page(empty, [], tmp_path / "trend.html")
