"""Conditions of a sweep in one figure, readings over a condition, and one channel over another."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.logbook.made_outcomes import origin, outcome
from wavewright.errors import FileFault
from wavewright.recipe.load import load_recipe, parse_recipe
from wavewright.reporting.drawn_shot import DrawnShot
from wavewright.reporting.html import html
from wavewright.reporting.layers import BandLayer, CurveLayer, DensityLayer, TraceLayer
from wavewright.reporting.sweep_pictures import sweep_pictures
from wavewright.reporting.xy_picture import xy_pictures
from wavewright.running.evaluation import evaluate
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome
from wavewright.running.shot import ExaminedShot
from wavewright.waveform import Capture, Waveform

SWEEP = """
wavewright: 1
title: t
measurements:
  coil_drive:
    channels: {drive: {input: 1, range: 8 V}}
    timebase: {span: 4 ms, points: 4k}
    for_each: {duty: [10 %, 40 %, 90 %]}
    compute:
      duty_factor: {of: drive, limit: $duty ± 1 pp}
      top: {metric: high_level, of: drive, limit: at most 3.6 V}
"""


def driven(duty: float) -> Capture:
    time = np.arange(4000) * 1e-6
    volts = np.where((time / 8e-4) % 1 < duty, 3.3, 0.0)
    return Capture({"drive": Waveform.from_volts(volts, interval=1e-6, name="drive")})


@pytest.fixture(scope="module")
def swept() -> Outcome:
    measurements, captures = [], {}
    for measurement, duty in zip(parse_recipe(SWEEP, "r.yaml"), (0.1, 0.4, 0.9), strict=True):
        captures[measurement.label] = [driven(duty)]
        results = evaluate(measurement, captures[measurement.label])
        measurements.append(MeasurementOutcome("coil_drive", measurement.condition, shots=1, results=results))
    return replace(
        outcome(), recipe=origin("r.yaml", SWEEP), parameters={}, measurements=tuple(measurements), captures=captures
    )


def test_all_conditions_are_over_one_another_each_with_its_name(swept: Outcome) -> None:
    first = next(iter(sweep_pictures(swept, swept.measurements, anchor="m1")))
    traces = [layer for layer in first.panels[0].layers if isinstance(layer, TraceLayer)]
    assert [trace.name for trace in traces] == ["duty=10 %", "duty=40 %", "duty=90 %"]
    assert len({trace.colour for trace in traces}) == 3
    assert all(trace.record is None for trace in traces)
    # math: the share of high samples is the duty factor
    assert [float(trace.values.mean() / 3.3) for trace in traces] == pytest.approx([0.1, 0.4, 0.9], abs=0.01)


def test_a_reading_over_a_condition_is_a_curve_with_its_limits(swept: Outcome) -> None:
    _, duty, top = sweep_pictures(swept, swept.measurements, anchor="m1")
    assert (duty.title, duty.axis.unit) == ("coil_drive.duty_factor over duty", "1")
    curve = next(layer for layer in duty.panels[0].layers if isinstance(layer, CurveLayer) and layer.has_points)
    assert curve.x == pytest.approx([0.1, 0.4, 0.9])
    assert curve.y == pytest.approx([0.1, 0.4, 0.9], abs=0.002)
    band = next(layer for layer in duty.panels[0].layers if isinstance(layer, BandLayer))
    assert band.lows == pytest.approx([0.09, 0.39, 0.89])
    assert band.highs == pytest.approx([0.11, 0.41, 0.91])
    (highest,) = (layer for layer in top.panels[0].layers if isinstance(layer, CurveLayer) and not layer.has_points)
    assert (highest.name, list(highest.y)) == ("highest limit", [3.6, 3.6, 3.6])
    assert top.panels[0].axis.high > 3.6
    assert "3.3 V at 40 %" in top.description


def test_limits_that_two_curves_have_in_common_are_drawn_once(swept: Outcome) -> None:
    doubled = [replace(one, conditions={**one.conditions, "rate": rate}) for rate in ("1 kHz", "2 kHz")
               for one in swept.measurements]  # fmt: skip
    duty, top = sweep_pictures(swept, doubled, anchor="m1")
    for picture, limits in ((duty, 2), (top, 1)):
        curves = [layer for layer in picture.panels[0].layers if isinstance(layer, CurveLayer)]
        assert [curve.name for curve in curves if curve.has_points] == ["rate=1 kHz", "rate=2 kHz"]
        assert len(curves) == 2 + limits


def test_a_condition_in_words_is_an_axis_of_words(swept: Outcome) -> None:
    named = [replace(one, conditions={"board": word}) for one, word in zip(swept.measurements, "abc", strict=True)]
    picture = list(sweep_pictures(swept, named, anchor="m1"))[-1]
    assert picture.axis.names == ("a", "b", "c")


def test_the_report_has_the_conditions_together_once(swept: Outcome) -> None:
    page = html(swept)
    assert page.count("coil_drive, all conditions") == 1
    assert page.count('id="m1-conditions"') == 1


def test_one_condition_has_nothing_to_be_laid_over(swept: Outcome) -> None:
    assert list(sweep_pictures(swept, swept.measurements[:1], anchor="m1")) == []


XY = """
wavewright: 1
title: t
measurements:
  component:
    channels: {voltage: {input: 1, range: 8 V}, shunt: {input: 2, range: 8 V}}
    derived: {current: "shunt / 2 ohm"}
    timebase: {span: 1 ms, points: 1k}
    trigger: {mode: auto, on: voltage}
    plot: {characteristic: {of: current, against: voltage}}
"""


def component(samples: int) -> DrawnShot:
    # math: a resistor of 50 ohm in series with the shunt of 2 ohm: current = voltage / 52 ohm
    volts = 3 * np.sin(2 * np.pi * np.arange(samples) / samples)
    waves = {
        "voltage": Waveform.from_volts(volts, interval=1e-6, name="voltage"),
        "shunt": Waveform.from_volts(volts * 2 / 52, interval=1e-6, name="shunt"),
    }
    measurement = parse_recipe(XY, "r.yaml").measurements[0]
    capture = Capture(waves)
    shot = ExaminedShot(capture, measurement)
    return DrawnShot(MeasurementOutcome("component"), measurement, [capture], 0, shot, "m1")


def test_one_channel_over_another_goes_through_every_sample() -> None:
    (picture,) = xy_pictures(component(1000))
    (curve,) = picture.panels[0].layers
    assert isinstance(curve, CurveLayer)
    assert curve.x.size == 1000
    assert curve.y == pytest.approx(curve.x / 52)
    assert (picture.axis.unit, picture.panels[0].axis.unit) == ("V", "A")
    assert picture.title == "characteristic: current over voltage"


def test_of_very_many_samples_the_figure_counts_each() -> None:
    (picture,) = xy_pictures(component(100_000))
    (density,) = picture.panels[0].layers
    assert isinstance(density, DensityLayer)
    assert int(density.counts.sum()) == 100_000


def test_a_plot_of_a_channel_that_is_not_there_is_refused_at_its_line(tmp_path: Path) -> None:
    path = tmp_path / "r.yaml"
    path.write_text(XY.replace("against: voltage", "against: voltag"), encoding="utf-8")
    with pytest.raises(FileFault, match=r"r\.yaml:10:51: .*`voltag`") as fault:
        load_recipe(path)
    assert "`voltage`" in str(fault.value)
