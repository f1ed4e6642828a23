"""The report of many runs, and pictures of trends."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from xml.etree import ElementTree as Xml

import numpy as np
import pytest

from tests.logbook.made_outcomes import outcome
from tests.reporting.conftest import Visit
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter, points, trend
from wavewright.reporting.batch import batch_report, study_batch, write_batch_report
from wavewright.reporting.chart_pictures import trend_picture
from wavewright.reporting.layers import CurveLayer, PointsLayer
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


def test_a_batch_report_is_html_or_junit(book: Logbook, tmp_path: Path) -> None:
    with pytest.raises(Misuse, match=r"file extension `\.pdf`"):
        write_batch_report(book, tmp_path / "batch.pdf")
    with pytest.raises(StorageFault, match="the report cannot be written"):
        write_batch_report(book, tmp_path / "missing" / "batch.html")


def test_the_failed_units_are_those_whose_last_run_did_not_pass(book: Logbook, tmp_path: Path) -> None:
    assert study_batch(book).failed_units == ()  # the one that failed was repaired, and passed then
    failed = study_batch(book, ids=[run.id for run in study_batch(book).runs[:-1]]).failed_units
    assert [(run.serial, names) for run, names in failed] == [("VC204-0020", (NAME,))]
    page = batch_report(study_batch(book, ids=[run.id for run in study_batch(book).runs[:-1]]))
    (told,) = re.findall(r"Units that have not passed</dt><dd>(.*?)</dd>", page)
    assert re.sub(r"<[^>]+>", "", told) == f"VC204-0020 ({NAME})"


def test_the_table_of_runs_has_every_reading_of_every_unit_and_each_point_leads_to_its_row(book: Logbook) -> None:
    study = study_batch(book)
    page = batch_report(study)
    rows = re.findall(r'<tr class="(\w+)" id="run-([^"]+)">(.*?)</tr>', page, re.DOTALL)
    assert [run for _, run, _ in rows] == [run.id for run in study.runs]
    told = {run: re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", row)) for _, run, row in rows}
    assert " 58.0 mV fail " in told[study.runs[20].id]
    assert " 25.0 mV " in told[study.runs[21].id]
    (one,) = study.readings
    single, ranges = one.pictures[1:]
    for picture, first in ((single, 0), (ranges, 1)):
        (points_,) = picture.panels[0].layers
        assert isinstance(points_, PointsLayer)
        assert points_.links == tuple(f"#run-{run.id}" for run in study.runs[first:])
        assert points_.labels == tuple(run.serial for run in study.runs[first:])


def test_a_batch_as_junit_has_a_suite_per_unit_and_counts_its_failures(book: Logbook, tmp_path: Path) -> None:
    assert write_batch_report(book, tmp_path / "lot.xml") == 22
    root = Xml.fromstring((tmp_path / "lot.xml").read_text(encoding="utf-8"))
    assert (root.get("tests"), root.get("failures"), root.get("errors")) == ("22", "1", "0")
    failed = [suite for suite in root if suite.get("failures") == "1"]
    assert [suite.get("name") for suite in failed] == ["VC204-0020: rail_noise"]
    assert failed[0].find("properties/property[@name='run']") is not None


def test_a_batch_page_leads_to_the_report_of_each_run(book: Logbook, tmp_path: Path) -> None:
    ids = [run.id for run in study_batch(book).runs[:2]]
    write_batch_report(book, tmp_path / "lot.html", ids=ids, reports=tmp_path / "each" / "reports")
    page = (tmp_path / "lot.html").read_text(encoding="utf-8")
    for run in ids:
        assert f'<a href="each/reports/{run}.html">' in page
        assert "rail_noise" in (tmp_path / "each" / "reports" / f"{run}.html").read_text(encoding="utf-8")


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
    assert seen.page.locator("h1, figcaption").all_inner_texts().count("Trend of rail_noise.ripple") == 1
    # a point leads to the row of its run
    place = seen.page.evaluate("""() => { const chart = document.getElementById('trend').chart;
      const points = chart.picture.panels[0].layers.find((one) => one.kind === 'points'); return points.links[20]; }""")
    assert seen.page.locator(place).inner_text().count("58.0 mV") == 1
    seen.page.click("#trend [data-move=in]")
    assert seen.said == []


@pytest.mark.browser
@pytest.mark.parametrize("kind", ["batch", "trend"])
def test_pages_of_many_runs_weigh_little_and_an_accessibility_check_finds_nothing(
    visit: Callable[..., Visit], book: Logbook, tmp_path: Path, kind: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    path = tmp_path / "page.html"
    if kind == "batch":
        write_batch_report(book, path)
    else:
        write_trend_page(trend(book, NAME), points(book, NAME), path)
    text = path.read_text(encoding="utf-8")
    data = re.findall(r'<script type="application/json">.*?</script>', text, re.DOTALL)
    assert len(text.encode()) - sum(len(one.encode()) for one in data) < 400_000
    seen = visit(text, scheme="dark", bypass_csp=True)  # the checker runs its own script
    seen.page.set_viewport_size({"width": 390, "height": 900})
    found = Axe().run(seen.page)
    assert found.response["violations"] == [], found.generate_report()
    ends = seen.page.eval_on_selector_all("th, td", "them => them.map((one) => one.getBoundingClientRect().right)")
    assert max(ends) <= 390


def test_a_trend_in_the_terminal_has_the_limit_the_dates_and_the_failed_runs(book: Logbook) -> None:
    lines = list(trend_lines(trend(book, NAME), points(book, NAME), width=80))
    assert lines[0] == "rail_noise.ripple: 22 readings, 1 failed"
    assert all(len(line) <= 80 for line in lines[:-1])
    (limit,) = [line for line in lines if line.endswith(" limit 40 mV")]
    assert limit.count("─") > 50  # over the full width, beside its name
    assert sum(line.count("×") for line in lines) == 1
    assert any("2026-03-02" in line for line in lines)
    assert any("time, UTC" in line for line in lines)
    assert lines[-1].startswith("failed: VC204-0020, 2026-03-02 08:")
    assert lines[-1].endswith(f"58.0 mV, run {study_batch(book).runs[20].id}")


def test_nothing_is_drawn_through_a_time_without_readings(tmp_path: Path) -> None:
    with Logbook(tmp_path / "gap.sqlite") as book:
        early = [outcome(number, value=0.024) for number in range(4)]
        late = [replace(one, started=one.started + timedelta(days=30), ended=one.ended + timedelta(days=30),
                        serial=f"{one.serial}-late") for one in early]  # fmt: skip
        book.enter_all([*early, *late])
        found = trend(book, NAME, buckets=60)
        picture = trend_picture(found, [], told="")
    (mean,) = picture.panels[0].layers
    assert isinstance(mean, CurveLayer)
    assert np.isnan(mean.y).tolist() == [False, True, False]
    assert (found.buckets[1].started - found.buckets[0].started).total_seconds() > 50 * found.width


def test_a_trend_of_nothing_says_so(book: Logbook, tmp_path: Path) -> None:
    empty = trend(book, NAME, Filter(part="VC-203"))
    assert list(trend_lines(empty, [], width=80)) == ["rail_noise.ripple: no readings"]
    with pytest.raises(Misuse, match="widen the filter"):
        write_trend_page(empty, [], tmp_path / "trend.html")
