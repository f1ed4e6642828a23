"""One table of readings: console, HTML, Markdown, notebook and JUnit XML show the same words for the same result."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree as Xml

import numpy as np
import pytest
from rich.console import Console

from tests.example_outcome import example_outcome
from wavewright.analysis.reading import Doubt, Finding, Reading
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.judgement.judge import judge
from wavewright.judgement.shown import show_reach, show_reading
from wavewright.judgement.verdict import Verdict
from wavewright.quantities import read_quantity
from wavewright.reporting.console import print_outcome
from wavewright.reporting.html import html
from wavewright.reporting.junit import junit
from wavewright.reporting.markdown import markdown
from wavewright.running.outcome import Outcome
from wavewright.running.readings_table import HEADINGS, NOT_JUDGED, NOTHING, reading_rows
from wavewright.running.result import MeasurementOutcome, Result

Cells = tuple[str, str, str, str, str, str]


def result(name: str, reading: Reading, limit: str, margin: float | None = None, *, reason: str = "") -> Result:
    verdict = Verdict.INCONCLUSIVE if margin is None else Verdict.PASS if margin >= 0 else Verdict.FAIL
    return Result(
        name, f"{name}_metric", ("x",), "each", limit, reading, verdict if limit else None, margin,
        reason=reason, shots=(reading,),
    )  # fmt: skip


def known(
    value: float, unit: str, standard: float, *, uncertainty: float | None = None, missing: tuple[str, ...] = ()
) -> Reading:
    budget = Budget(value, unit, (Contribution("gain", standard),), missing)
    return Reading(value, unit, uncertainty=uncertainty, budget=budget)


DOUBTED = Reading(0.0312, "V", uncertainty=2e-4, findings=(Finding(Doubt.FEW_CODES),))
CASES = {
    "pass": result("ripple", Reading(0.02219, "V", uncertainty=7e-6), "at most 40 mV", 0.01781),
    "fail": result("level", Reading(0.04377, "V", uncertainty=2e-4), "at most 40 mV", -0.00377, reason="43.8 mV: high"),
    "ratio": result("ringing", Reading(0.13636, "1", uncertainty=4e-5), "at most 8 %", -0.05636, reason="13.6 %: high"),
    "count": result("glitches", Reading(3.0, "count"), "exactly 0", -3.0, reason="3: high"),
    "time": result("reset_low", Reading(2.19722e-3, "s", uncertainty=1.3e-6), "2.2 ms ± 20 %", 4.4e-4),
    "no number": result("rise", Reading(None, "s", reason="0 edges"), "at most 1 us", reason="0 edges"),
    "doubt": replace(
        result("peak", DOUBTED, "at most 40 mV", 0.0088, reason=DOUBTED.findings[0].sentence),
        verdict=Verdict.INCONCLUSIVE,
    ),
    "no limit": result("mean", Reading(1e-4, "V", uncertainty=3e-6), ""),
    "budget": result("rail", known(3.27901, "V", 0.0289, uncertainty=0.9e-3), "3.3 V ± 5 %", 0.14401),
    "budget of a ratio": result("duty", known(0.40123, "1", 0.000612), "40 % ± 1 pp", 0.00877),
    "budget that is not complete": result("dip", known(0.5, "V", 0.01, missing=("gain",)), "at most 1 V", 0.5),
    "guarded": replace(
        result("edge", known(16.8e-9, "s", 0.306e-9), "at most 20 ns", 3.2e-9),
        rule="guarded acceptance with guard 1 U", conformance=0.977,
    ),
}  # fmt: skip
# What the words must be: rounding by the uncertainty (JCGM 100:2008, 7.2.6), a margin with the decimals of its reading,
# and a difference of ratios in percentage points.
EXPECTED = {
    "pass": ("22.190 mV, record only", "at most 40 mV", "17.810 mV", "pass"),
    "fail": ("43.8 mV, record only", "at most 40 mV", "-3.8 mV", "fail"),
    "ratio": ("13.636 %, record only", "at most 8 %", "-5.636 pp", "fail"),
    "count": ("3", "exactly 0", "-3", "fail"),
    "time": ("2.197 ms, record only", "2.2 ms ± 20 %", "440 us", "pass"),
    "no number": (NOTHING, "at most 1 us", NOTHING, "inconclusive"),
    "doubt": ("31.2 mV, record only", "at most 40 mV", "8.8 mV", "inconclusive"),
    "no limit": ("100 uV, record only", NOTHING, NOTHING, NOT_JUDGED),
    # U is 1.96 u of a normal distribution: 56.6 mV, rounded up; the value ends where U does
    "budget": ("3.279 V ± 57 mV", "3.3 V ± 5 %", "144 mV", "pass"),
    "budget of a ratio": ("40.12 % ± 0.12 pp", "40 % ± 1 pp", "0.88 pp", "pass"),
    "budget that is not complete": ("500 mV, record only", "at most 1 V", "500 mV", "pass"),
    "guarded": ("16.80 ns ± 600 ps", "at most 20 ns", "3.20 ns", "pass"),
}


@pytest.fixture
def outcome() -> Outcome:
    measured = MeasurementOutcome("rail[load=1 A]", shots=1, results=tuple(CASES.values()))
    return replace(example_outcome(), measurements=(measured, MeasurementOutcome("reset_hold", error="no trigger")))


class _Tables(HTMLParser):
    """The cells of each row of an HTML table, the text of an element `small` or `p` apart from the rest of its cell."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[list[str]]] = []
        self._is_in_cell = False

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th"):
            self._is_in_cell = True
            self.rows[-1].append([])

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._is_in_cell = False

    def handle_data(self, data: str) -> None:
        if self._is_in_cell and data.strip():
            self.rows[-1][-1].append(data.strip())


def cells_of_page(page: str) -> list[list[str]]:
    parser = _Tables()
    parser.feed(page)
    return [[cell[0] if cell else "" for cell in row] for row in parser.rows]


def in_console(outcome: Outcome) -> list[list[str]]:
    console = Console(file=io.StringIO(), width=200, no_color=True)
    print_outcome(outcome, console)
    assert isinstance(console.file, io.StringIO)
    return [re.split(r" {2,}", line.strip()) for line in console.file.getvalue().splitlines()]


def in_markdown(outcome: Outcome) -> list[list[str]]:
    lines = [line for line in markdown(outcome).splitlines() if line.startswith("|")]
    return [[cell.replace("\\", "").strip(" *") for cell in re.split(r"(?<!\\)\|", line)[1:-1]] for line in lines]


def in_notebook(outcome: Outcome) -> list[list[str]]:
    return [row[: len(HEADINGS)] for row in cells_of_page(outcome._repr_html_())]


def in_html(outcome: Outcome) -> list[list[str]]:
    """The rows of the table of readings, without its remarks."""
    table = html(outcome).split('<table class="readings">')[1].split("</table>")[0]
    return [row[:6] for row in cells_of_page(table)]


def in_junit(outcome: Outcome) -> list[list[str]]:
    """The cells out of the sentences; a part that a sentence leaves out is a dash."""
    found = []
    for case in Xml.fromstring(junit(outcome)).iter("testcase"):
        said = case.findtext("system-out")
        if said is None:
            continue
        told = re.match(r"(?P<verdict>[\w ]+): \w+(?: is (?P<value>[^;]+)|: no number)", said)
        assert told is not None
        limit, margin = (re.search(rf"; {word} ([^;]+)", said) for word in ("limit", "margin"))
        found.append(
            [
                str(case.get("classname")),
                str(case.get("name")),
                told["value"] or NOTHING,
                limit[1] if limit else NOTHING,
                margin[1] if margin else NOTHING,
                told["verdict"],
            ]
        )
    return found


READERS = {"console": in_console, "HTML": in_html, "Markdown": in_markdown, "notebook": in_notebook}


@pytest.mark.parametrize("kind", CASES)
def test_each_cell_is_in_the_words_that_the_trade_expects(kind: str, outcome: Outcome) -> None:
    row = next(row for row in reading_rows(outcome.measurements) if row.characteristic == CASES[kind].name)
    assert row.cells == ("rail[load=1 A]", CASES[kind].name, *EXPECTED[kind])


@pytest.mark.parametrize("kind", CASES)
@pytest.mark.parametrize("read", READERS.values(), ids=READERS)
def test_every_report_has_the_same_words(
    kind: str, read: Callable[[Outcome], list[list[str]]], outcome: Outcome
) -> None:
    assert ["rail[load=1 A]", CASES[kind].name, *EXPECTED[kind]] in read(outcome)


@pytest.mark.parametrize("kind", [kind for kind in CASES if CASES[kind].limit])
def test_junit_has_them_for_every_limit(kind: str, outcome: Outcome) -> None:
    assert ["rail[load=1 A]", CASES[kind].name, *EXPECTED[kind]] in in_junit(outcome)


@pytest.mark.parametrize("read", READERS.values(), ids=READERS)
def test_every_table_has_the_same_headings(read: Callable[[Outcome], list[list[str]]], outcome: Outcome) -> None:
    assert list(HEADINGS) in [[cell.lower() for cell in row] for row in read(outcome)]


@pytest.mark.parametrize("read", READERS.values(), ids=READERS)
def test_a_measurement_that_broke_off_is_a_row_of_every_table(
    read: Callable[[Outcome], list[list[str]]], outcome: Outcome
) -> None:
    assert ["reset_hold", NOTHING, NOTHING, NOTHING, NOTHING, "error"] in read(outcome)


def test_every_reason_and_doubt_is_told_in_every_report(outcome: Outcome) -> None:
    console = Console(file=io.StringIO(), width=300, no_color=True)
    print_outcome(outcome, console)
    assert isinstance(console.file, io.StringIO)
    texts = {
        "console": console.file.getvalue(),
        "markdown": markdown(outcome).replace("\\", ""),
        "notebook": outcome._repr_html_(),
        "html": html(outcome),
        "junit": junit(outcome),
    }
    for name, text in texts.items():
        for wanted in (
            "43.8 mV: high",
            "13.6 %: high",
            "0 edges",
            Finding(Doubt.FEW_CODES).text,
            "no trigger",
            "guarded acceptance with guard 1 U",
            "97.7 %",
        ):
            assert wanted in text, name


def test_junit_has_the_uncertainty_and_the_probability_as_properties(outcome: Outcome) -> None:
    cases = {case.get("name"): case for case in Xml.fromstring(junit(outcome)).iter("testcase")}
    told = {one.get("name"): one.get("value") for one in cases["edge"].iter("property")}
    assert told["decision_rule"] == "guarded acceptance with guard 1 U"
    assert told["probability_of_conformance"] == "0.977"
    assert float(told["standard_uncertainty"] or 0) == pytest.approx(0.306e-9)
    assert float(told["expanded_uncertainty"] or 0) == pytest.approx(1.959964 * 0.306e-9)
    assert (told["coverage"], float(told["coverage_factor"] or 0)) == ("0.95", pytest.approx(1.959964))
    assert not list(cases["dip"].iter("property"))  # of the record only


@pytest.mark.parametrize(
    "value, expanded, unit, shown",
    [
        # JCGM 100:2008, 7.2.6: 10.47 mohm is rounded up, 28.05 kHz is not; 10.05762 ohm with u 27 mohm is 10.058 ohm
        (0.01047, 0.01047, "ohm", "± 11 mohm"),
        (28.05e3, 28.05e3, "Hz", "± 28 kHz"),
        (10.05762, 0.027, "ohm", "± 27 mohm"),
        (1.0, 0.0996, "V", "± 100 mV"),
        (0.4, 0.00123, "1", "± 0.13 pp"),
        (50e-6, 1.23e-6, "1", "± 1.3 ppm"),
        (12e6, 118.0, "Hz", "± 120 Hz"),
    ],
)
def test_an_expanded_uncertainty_has_two_digits_and_is_rounded_up(
    value: float, expanded: float, unit: str, shown: str
) -> None:
    assert show_reach(known(value, unit, expanded / 1.9599639845400545)) == shown


def test_a_value_ends_where_its_uncertainty_does() -> None:
    assert show_reading(known(10.05762, "ohm", 0.027 / 1.9599639845400545), None) == "10.058 ohm"


def test_in_a_narrow_window_the_uncertainty_stands_below_the_value(outcome: Outcome) -> None:
    shown = {}
    for width in (72, 200):
        console = Console(file=io.StringIO(), width=width, no_color=True)
        print_outcome(outcome, console)
        assert isinstance(console.file, io.StringIO)
        shown[width] = console.file.getvalue().splitlines()
    assert any("3.279 V ± 57 mV" in line for line in shown[200])
    first = next(number for number, line in enumerate(shown[72]) if "3.279 V" in line)
    assert "± 57 mV" not in shown[72][first]
    assert shown[72][first].index("3.279 V") == shown[72][first + 1].index("± 57 mV")
    table = shown[72][: next(number for number, line in enumerate(shown[72]) if line.startswith("reset_hold"))]
    assert max(map(len, table)) <= 72


ENDS = [
    (0.038, 0.042, "V", "38 mV .. 42 mV"),
    (1.6e-3, 3.2e-3, "s", "1.6 ms .. 3.2 ms"),
    (0.39, 0.41, "1", "40 % ± 1 pp"),
]


@pytest.mark.parametrize("low, high, unit, limit", ENDS, ids=[row[2] for row in ENDS])
def test_no_report_shows_a_reading_or_its_margin_on_another_side_of_the_limit_than_it_was_judged_on(
    low: float, high: float, unit: str, limit: str
) -> None:
    generator = np.random.default_rng(4)
    span = high - low
    results = []
    for number in range(40):
        end = (low, high)[number % 2]
        value = end + span * float(10 ** generator.uniform(-5, -0.5)) * (1, -1)[number // 2 % 2]
        # the standard uncertainty is often far more than the distance to the end, and so would be the rounding
        judged = judge(known(value, unit, span * float(10 ** generator.uniform(-4, 0))), limit)
        assert judged.margin is not None
        assert judged.reading is not None
        results.append(
            replace(result(f"r{number}", judged.reading, limit, judged.margin.value, reason=judged.reason),
                    verdict=judged.verdict)
        )  # fmt: skip
    measured = MeasurementOutcome("rail", shots=1, results=tuple(results))
    wide = replace(example_outcome(), measurements=(measured,))
    for kind, read in {**READERS, "JUnit": in_junit}.items():
        rows = {row[1]: row for row in read(wide) if len(row) > 4 and row[1].startswith("r")}
        for one in results:
            text, margin = rows[one.name][2].split(" ± ")[0], rows[one.name][4]
            at = read_quantity(text, unit=unit).value
            is_inside = one.verdict is not Verdict.FAIL
            assert (low <= at <= high) is is_inside, (kind, one.reading.value, text)
            assert margin.startswith("-") is not is_inside, (kind, one.reading.value, margin)
            if one.reason:
                assert one.reason.startswith(text), (kind, one.reason)
