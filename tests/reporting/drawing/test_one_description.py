"""Page, SVG and terminal are drawn from one description and so never contradict one another, nor the table."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from tests.reporting.drawing.drawn import Drawn
from tests.reporting.drawing.test_terminal_picture import reach
from tests.reporting.reported import reported
from wavewright.reporting.drawing.look import readable
from wavewright.reporting.drawing.svg_picture import svg_picture
from wavewright.reporting.drawing.terminal_picture import terminal_picture
from wavewright.reporting.html import html
from wavewright.reporting.layers import TraceLayer
from wavewright.reporting.marks import LevelMark
from wavewright.reporting.picture import Picture
from wavewright.reporting.svg import drawn_measurement, svg, told_results
from wavewright.running.readings_table import reading_row


@pytest.fixture(scope="module")
def pictures() -> list[Picture]:
    return drawn_measurement(reported())[1]


def test_each_shows_the_extremes_of_the_record(pictures: list[Picture]) -> None:
    trace = pictures[0]
    drawn = Drawn.of(svg_picture([trace]))
    for number, panel in enumerate(trace.panels):
        (layer,) = (one for one in panel.layers if isinstance(one, TraceLayer))
        ends = float(np.nanmin(layer.low())), float(np.nanmax(layer.high()))
        factor = 1e-3 if f"{panel.name}, mV" in drawn.texts() else 1.0
        heights = [drawn.level_at(number, y) * factor for _, y in drawn.strokes(number, readable(layer.colour))]
        pixel = (panel.axis.high - panel.axis.low) / panel.height
        assert (min(heights), max(heights)) == pytest.approx(ends, abs=1.2 * pixel), panel.name
        lines = list(terminal_picture(replace(trace, panels=(panel,)), width=80))
        ruler = next(place for place, line in enumerate(lines) if "┬" in line)
        found = [one for column in range(160) if (one := reach(lines[ruler - 10 : ruler], column))]
        dot = (panel.axis.high - panel.axis.low) / 39
        shown = (
            panel.axis.low + dot * min(low for low, _ in found),
            panel.axis.low + dot * max(high for _, high in found),
        )
        assert shown == pytest.approx(ends, abs=dot), panel.name
        page = json.loads(trace.as_json())["panels"][number]["axis"]
        assert (page["low"], page["high"]) == pytest.approx((panel.axis.low, panel.axis.high))
        assert page["low"] <= ends[0] <= ends[1] <= page["high"]


def test_each_names_the_same_limits_and_levels(pictures: list[Picture]) -> None:
    trace = pictures[0]
    labels = [
        mark.label for panel in trace.panels for mark in panel.marks if isinstance(mark, LevelMark) and mark.label
    ]
    assert labels
    assert set(labels) <= set(Drawn.of(svg_picture([trace])).texts())
    terminal = "\n".join(terminal_picture(trace, width=160))
    assert all(label in terminal for label in labels)
    page = json.loads(trace.as_json())
    assert set(labels) <= {mark["label"] for panel in page["panels"] for mark in panel["marks"] if "label" in mark}


def test_each_says_the_reading_and_the_verdict_of_the_table() -> None:
    outcome = reported()
    one, _ = drawn_measurement(outcome)
    texts = Drawn.of(svg(outcome)).texts()
    assert list(told_results(one, 1)) == texts[1 : 1 + len(one.results)]
    page = re.sub(r"<[^>]+>", " ", html(outcome))
    for result in one.results:
        row = reading_row(one.label, result)
        assert f"{row.characteristic} {row.value}, limit {row.limit}: {row.verdict}" in texts
        assert row.value in page
