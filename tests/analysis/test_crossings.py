from __future__ import annotations

import numpy as np
import pytest

from wavewright.analysis.survey import Survey
from wavewright.waveform import Waveform


def test_a_crossing_lies_on_the_straight_line_between_two_samples() -> None:
    # IEEE 181-2011, reference level instant (from memory, not verified)
    wave = Waveform.from_volts([0.0, 0.0, 4.0, 4.0, 0.0], interval=1e-3, start=5e-3)
    found = Survey(wave).crossings(1.0)
    assert found.rising == pytest.approx([6.25e-3])
    assert found.falling == pytest.approx([8.75e-3])


def test_a_noisy_slow_edge_gives_one_crossing() -> None:
    random = np.random.default_rng(7)
    edge = np.clip(np.linspace(-1.0, 2.0, 3001), 0.0, 1.0) + 0.01 * random.standard_normal(3001)
    found = Survey(Waveform.from_volts(edge, interval=1.0)).crossings(0.5)
    assert (found.rising.size, found.falling.size) == (1, 0)
    assert found.rising[0] == pytest.approx(1500, abs=15)


@pytest.mark.parametrize("gain", [0.5, -0.5])
def test_rising_means_rising_in_volts_whatever_the_sign_of_the_gain(gain: float) -> None:
    codes = np.array([0, 0, 10, 10, 0], dtype=np.int8)
    found = Survey(Waveform(codes if gain > 0 else -codes, gain=gain, interval=1.0)).crossings(2.5)
    assert found.rising == pytest.approx([1.5])
