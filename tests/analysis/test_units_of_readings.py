"""Units of readings of derived channels: V s per s is V, and a limit is read in the unit that the reading has."""

from __future__ import annotations

import re

import numpy as np
import pytest

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.expressions.derive import derive
from wavewright.analysis.measure import measure
from wavewright.reporting.console import shown_reading
from wavewright.reporting.picture import Axis
from wavewright.waveform import Waveform

HIGH = Waveform.from_volts(np.full(40_001, 5.0), interval=1e-6, name="high")  # 5 V for 40 ms: 0.2 V s


def test_an_integral_is_shown_in_volt_seconds() -> None:
    reading = measure(derive("integral(high)", {"high": HIGH}, name="x"), "maximum")
    assert (reading.value, reading.unit) == (pytest.approx(0.2), "V s")
    assert shown_reading(reading)[0].startswith("200 mV s")


def test_a_square_is_shown_without_a_prefix() -> None:
    noisy = Waveform.from_volts(np.tile([4.5, 5.5], 500), interval=1e-6, name="high")
    reading = measure(derive("(high - 5.5 V + 1 V) ** 2", {"high": noisy}, name="x"), "mean")
    assert (reading.value, reading.unit) == (pytest.approx(0.5), "V^2")
    assert re.match(r"0\.50* V\^2\b", shown_reading(reading)[0])


def test_the_slope_of_an_integral_is_in_volts() -> None:
    reading = measure(derive("integral(high)", {"high": HIGH}, name="x"), "slope")
    assert (reading.value, reading.unit) == (pytest.approx(5.0), "V")


@pytest.mark.parametrize(
    "metric, channel, unit",
    [
        ("slope", "V", "V/s"),
        ("slope", "A", "A/s"),
        ("slope", "V s", "V"),
        ("slew_rate", "V/s", "V/s^2"),
        ("noise_density", "A", "A/√Hz"),
        ("maximum", "V^2", "V^2"),
        ("rise_time", "A", "s"),
    ],
)
def test_a_limit_is_read_in_the_unit_of_the_reading(metric: str, channel: str, unit: str) -> None:
    assert METRICS.find(metric).unit_of([channel]) == unit
    random = np.random.default_rng(1)
    codes = np.tile(np.interp(np.arange(100), [0, 10, 50, 60], [0, 1, 1, 0]), 20) + random.normal(0, 1e-3, 2000)
    assert measure(Waveform.from_volts(codes, interval=1e-6, unit=channel), metric).unit == unit


def test_gain_between_an_integral_and_its_channel_is_in_seconds() -> None:
    turn = 2 * np.pi * 0.01 * np.arange(5000)
    drive = Waveform.from_volts(np.sin(turn), interval=1e-6, name="drive")
    reading = measure([drive, derive("integral(drive)", {"drive": drive}, name="x")], "gain")
    assert reading.unit == "s"
    assert reading.value == pytest.approx(1 / (2 * np.pi * 10e3), rel=1e-3)  # of an integrator: 1/(2πf), math


def test_axes_have_a_prefix_only_where_the_unit_takes_one() -> None:
    axes = {unit: Axis("", unit, 0.0, 1.0).as_json() for unit in ("V s", "V^2", "1", "count", "dB")}
    assert {unit: axis["has_prefix"] for unit, axis in axes.items()} == {
        "V s": True, "V^2": False, "1": True, "count": True, "dB": False,
    }  # fmt: skip
    assert (axes["V s"]["unit"], axes["1"]["unit"], axes["1"]["is_share"]) == ("V s", "", True)
