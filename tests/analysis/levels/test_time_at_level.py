from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.waveform import Waveform


@pytest.mark.parametrize("level", [0.0, 0.5, 0.9, -0.3])
def test_a_sine_is_above_a_level_for_its_share_of_the_time(level: float) -> None:
    # math: arccos(level)/π of every period
    volts = np.sin(2 * np.pi * np.arange(10_001) / 1000)
    wave = Waveform.from_volts(volts, interval=1e-6)
    assert measure(wave, "time_above", level=level).value == pytest.approx(10e-3 * math.acos(level) / math.pi, abs=1e-7)


@given(st.lists(st.integers(-20, 20), min_size=2, max_size=40), st.sampled_from([-7.5, 0.5, 11.5]))
def test_above_and_below_together_are_the_record(codes: list[int], level: float) -> None:
    wave = Waveform(np.array(codes, dtype=np.int8), interval=1e-6)
    found = [measure(wave, name, level=level).value for name in ("time_above", "time_below")]
    assert sum(found) == pytest.approx((len(codes) - 1) * 1e-6)
    assert min(found) >= 0


@pytest.mark.parametrize("level, above", [(0.0, 3e-6), (2.0, 0.0)])
def test_a_level_that_is_never_crossed_is_above_or_below_throughout(level: float, above: float) -> None:
    wave = Waveform.from_volts([1.0, 1.1, 1.0, 1.1], interval=1e-6)
    assert measure(wave, "time_above", level=level).value == pytest.approx(above)


def test_straight_lines_count_exactly() -> None:
    # 0 → 1 → 0 over four intervals is above 0.25 for 3 of them
    wave = Waveform.from_volts([0.0, 0.5, 1.0, 0.5, 0.0], interval=1.0)
    assert measure(wave, "time_above", level=0.25).value == pytest.approx(3.0)
