"""The outline of a record never hides a spike."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.reporting.outline import outline
from wavewright.waveform import Waveform


@given(
    seed=st.integers(0, 10_000),
    size=st.integers(1, 5000),
    stretches=st.integers(1, 400),
    kind=st.sampled_from(["int8", "uint8", "int16", "float32"]),
    gain=st.sampled_from([0.5, -0.25]),
)
def test_the_outline_touches_both_extremes(seed: int, size: int, stretches: int, kind: str, gain: float) -> None:
    codes = np.random.default_rng(seed).integers(0, 100, size).astype(kind)
    wave = Waveform(codes, gain=gain, offset=1.0, interval=1e-6)
    drawn = outline(wave, stretches=stretches)
    assert drawn.values.max() == pytest.approx(wave.values().max())
    assert drawn.values.min() == pytest.approx(wave.values().min())
    assert drawn.values.size <= max(2 * stretches, size if drawn.is_complete else 0)


@given(place=st.integers(0, 99_999))
def test_one_spike_stays_where_it_was(place: int) -> None:
    codes = np.zeros(100_000, np.int8)
    codes[place] = 100
    wave = Waveform(codes, interval=1e-6, start=-0.01)
    drawn = outline(wave, stretches=1000)
    found = int(drawn.values.argmax())
    assert drawn.start + found * drawn.step == pytest.approx(wave.time_of(place), abs=2 * drawn.step)


def test_invalid_samples_are_left_out_and_a_gap_stays_a_gap() -> None:
    values = np.ones(10_000)
    values[10] = np.nan
    values[5000:6000] = np.nan
    drawn = outline(Waveform.from_volts(values, interval=1e-6), stretches=100)
    assert np.isnan(drawn.values).sum() == 20
    assert np.nanmax(drawn.values) == 1.0
