from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.errors import Misuse
from wavewright.waveform import Waveform


def line(heights: list[float]) -> Waveform:
    """Pulses of 20 samples with these heights, 30 samples apart, in codes of 100."""
    codes = np.concatenate([[0] * 30] + [[round(100 * height)] * 20 + [0] * 30 for height in heights])
    return Waveform(codes.astype(np.int8), gain=0.033, interval=1e-6)


@given(st.lists(st.sampled_from([0.1, 0.45, 0.6, 1.0]), max_size=30))
@settings(max_examples=30)
def test_pulses_that_turn_back_half_way_are_found_each_with_its_time(middle: list[float]) -> None:
    heights = [1.0, *middle, 1.0]
    reading = measure(line(heights), "runts")
    expected = [(29.5 + 0.3 * 0 + 50 * k) * 1e-6 for k, height in enumerate(heights) if height in (0.45, 0.6)]
    assert reading.value == len(expected)
    assert reading.occurrences.times == pytest.approx(expected, abs=0.5e-6)


def test_a_dip_from_the_high_state_is_a_negative_runt() -> None:
    codes = np.concatenate([[0] * 30, [100] * 30, [55] * 5, [100] * 30, [0] * 30])
    wave = Waveform(codes.astype(np.int8), interval=1.0)
    assert measure(wave, "runts").value == 1
    assert measure(wave, "runts", polarity="negative").value == 1
    assert measure(wave, "runts", polarity="positive").value == 0


def test_the_levels_decide_what_a_runt_is() -> None:
    wave = line([1.0, 0.45, 1.0])
    assert measure(wave, "runts", low="10 %", high="30 %").value == 0
    assert measure(wave, "runts", low="50 %", high="80 %").value == 0
    with pytest.raises(Misuse, match="is not below `high`"):
        measure(wave, "runts", low="80 %", high="20 %")


def test_a_pulse_cut_by_the_end_of_the_record_is_no_runt() -> None:
    wave = line([1.0, 1.0, 0.5])
    cut = Waveform(wave.codes[: 30 + 50 * 2 + 10], interval=1.0)
    assert measure(cut, "runts").value == 0
