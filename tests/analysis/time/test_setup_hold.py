"""Setup and hold time of data whose changes are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.analysis.lines_with_edges import line_with_edges
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.waveform import Waveform

TICKS = 1e-6 * (1 + np.arange(20))  # rising edges of the clock


def clock() -> Waveform:
    instants = np.stack([TICKS, TICKS + 0.5e-6], axis=1).ravel()
    return line_with_edges(instants, interval=4e-9, ramp=16e-9, end=21.2e-6, name="clock")


def data(before: np.ndarray | float) -> Waveform:
    """Data that change before every second edge of the clock."""
    return line_with_edges(TICKS[1::2] - before, interval=4e-9, ramp=16e-9, end=21.2e-6, name="data")


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


@given(before=st.floats(20e-9, 900e-9))
def test_setup_and_hold_of_steady_data(before: float) -> None:
    # math: data change `before` an edge, so 1 µs − before after the one before it
    waves = [data(before), clock()]
    setup, hold = measure(waves, "setup_time"), measure(waves, "hold_time")
    assert value(setup) == pytest.approx(before, abs=1e-14)
    assert value(hold) == pytest.approx(1e-6 - before, abs=1e-14)
    assert setup.count == hold.count == 10


def test_the_shortest_counts_and_all_are_given() -> None:
    before = 300e-9 + 10e-9 * np.arange(10)
    waves = [data(before), clock()]
    setup = measure(waves, "setup_time")
    assert value(setup) == pytest.approx(300e-9, abs=1e-14)
    assert setup.maximum == pytest.approx(390e-9, abs=1e-14)
    assert setup.standard_deviation == pytest.approx(np.std(before, ddof=1), rel=1e-6)
    assert setup.occurrences is not None
    assert setup.occurrences.values == pytest.approx(before, abs=1e-14)
    assert setup.occurrences.times == pytest.approx(TICKS[1::2], abs=1e-14)
    assert value(measure(waves, "hold_time")) == pytest.approx(610e-9, abs=1e-14)


def test_the_other_edge_of_the_clock() -> None:
    # math: falling edges are half a microsecond later
    waves = [data(300e-9), clock()]
    assert value(measure(waves, "setup_time", slope="falling")) == pytest.approx(800e-9, abs=1e-14)
    assert value(measure(waves, "hold_time", slope="falling")) == pytest.approx(200e-9, abs=1e-14)


def test_of_several_changes_the_nearest_counts() -> None:
    changes = np.array([4.2e-6, 4.5e-6, 4.7e-6])
    waves = [line_with_edges(changes, interval=4e-9, ramp=16e-9, end=21.2e-6), clock()]
    setup, hold = measure(waves, "setup_time"), measure(waves, "hold_time")
    assert (setup.count, hold.count) == (1, 1)
    assert value(setup) == pytest.approx(0.3e-6, abs=1e-14)
    assert value(hold) == pytest.approx(0.2e-6, abs=1e-14)


def test_data_that_never_change_are_refused() -> None:
    flat = Waveform.from_volts(np.zeros(5300), interval=4e-9, name="data")
    assert measure([flat, clock()], "setup_time").value is None
    late = line_with_edges(np.array([20.6e-6, 20.9e-6]), interval=4e-9, ramp=16e-9, end=21.2e-6, name="data")
    reading = measure([late, clock()], "setup_time")
    assert "`data` does not change before an edge of `clock`" in reading.reason
    assert value(measure([late, clock()], "hold_time")) == pytest.approx(0.6e-6, abs=1e-14)
