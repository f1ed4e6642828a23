"""Skew between channels whose edges are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.analysis.lines_with_edges import line_with_edges
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.waveform import Waveform

RISING = 1e-6 * (1 + np.arange(20))


def channel(late: np.ndarray | float, width: float = 0.4e-6, name: str = "") -> Waveform:
    rising = RISING + late
    instants = np.stack([rising, rising + width], axis=1).ravel()
    return line_with_edges(instants, interval=5e-9, ramp=20e-9, end=21.6e-6, name=name)


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


@settings(max_examples=25)
@given(delays=st.lists(st.floats(-150e-9, 150e-9), min_size=1, max_size=3))
def test_from_the_earliest_to_the_latest(delays: list[float]) -> None:
    # math: linear interpolation is exact on the ramps
    waves = [channel(0.0), *(channel(delay) for delay in delays)]
    expected = max([0.0, *delays]) - min([0.0, *delays])
    assert value(measure(waves, "skew")) == pytest.approx(expected, abs=1e-14)


def test_slope_and_every_occasion() -> None:
    wander = 1e-9 * np.arange(20)
    reading = measure([channel(0.0), channel(wander)], "skew")
    assert reading.count == 20
    assert reading.occurrences is not None
    assert reading.occurrences.values == pytest.approx(wander, abs=1e-14)
    assert reading.maximum == pytest.approx(19e-9, abs=1e-14)
    falling = measure([channel(0.0), channel(0.0, width=0.43e-6)], "skew", slope="falling")
    assert value(falling) == pytest.approx(30e-9, abs=1e-14)


def test_order_of_the_channels_does_not_matter() -> None:
    waves = [channel(late) for late in (0.0, 20e-9, -35e-9)]
    assert value(measure(waves, "skew")) == pytest.approx(55e-9, abs=1e-14)
    assert value(measure(waves[::-1], "skew")) == pytest.approx(55e-9, abs=1e-14)


def test_a_channel_without_edges_is_refused() -> None:
    flat = Waveform.from_volts(np.zeros(4000), interval=5e-9, name="flat")
    reading = measure([channel(0.0), flat], "skew")
    assert reading.value is None
    assert "`flat`" in reading.reason
