"""What the shots of a result say together, in the outcome and after the logbook."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.reporting.reported import reported
from wavewright.analysis.reading import Doubt
from wavewright.logbook.book import Logbook
from wavewright.logbook.outcome_files import outcome_as_json
from wavewright.recipe.load import parse_recipe
from wavewright.running.evaluation import evaluate
from wavewright.waveform import Capture, Waveform


def test_statistics_over_the_shots_follow_from_them(tmp_path: Path) -> None:
    outcome = reported()
    result = outcome.results["rail_noise.ripple"]
    assert result.statistics is not None
    values = [reading.value for reading in result.shots if reading.value is not None]
    # math: mean and standard deviation of two values
    assert result.statistics.mean == pytest.approx(sum(values) / 2)
    assert result.statistics.standard_deviation == pytest.approx(abs(values[1] - values[0]) / 2**0.5)
    with Logbook(tmp_path / "logbook.sqlite") as book:
        back = book.outcome(book.enter(outcome)).results["rail_noise.ripple"]
    assert back.statistics == result.statistics


def test_statistics_are_written_down_for_other_readers() -> None:
    (one, _) = outcome_as_json(reported())["measurements"]
    written = one["results"][0]["statistics"]
    assert written["count"] == 2
    assert written["percentiles"]["50"] == pytest.approx(written["mean"])


def test_one_shot_has_no_statistics() -> None:
    (one, _) = outcome_as_json(reported())["measurements"]
    assert all(result["statistics"] is not None for result in one["results"])
    recipe = parse_recipe(RECIPE, "r.yaml")
    (result,) = evaluate(recipe.measurements[0], [clipped()])
    assert result.statistics is None


RECIPE = """\
wavewright: 1
title: coil current
measurements:
  coil:
    channels:
      high: {input: 1, range: 2 V}
      low: {input: 2, range: 2 V}
    timebase: {span: 1 ms, points: 1k}
    derived: {current: "(high - low) / 0.1 ohm", doubled: "2 * current"}
    compute:
      most: {metric: maximum, of: doubled}
"""


def clipped() -> Capture:
    codes = np.clip(np.round(140 * np.sin(np.arange(1000) / 50)), -128, 127).astype(np.int8)
    high = Waveform(codes, gain=1 / 128, interval=1e-6, name="high", code_range=(-128, 127))
    low = Waveform(np.zeros(1000, np.int8), gain=1 / 128, interval=1e-6, name="low", code_range=(-128, 127))
    return Capture({"high": high, "low": low})


def test_a_clipped_channel_is_doubted_in_what_is_derived_from_it() -> None:
    (result,) = evaluate(parse_recipe(RECIPE, "r.yaml").measurements[0], [clipped()])
    assert result.reading.unit == "A"
    assert Doubt.CLIPPED in result.reading.doubts
