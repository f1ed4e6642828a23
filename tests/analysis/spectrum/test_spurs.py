"""Spurious lines against a mask."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.spurs import read_mask, spurs
from wavewright.errors import Misuse
from wavewright.waveform import Waveform

K = np.arange(8192)


def wave_of(*parts: tuple[float, float], gain: float = 1.0) -> Waveform:
    volts = sum(amplitude * np.sin(2 * np.pi * cycles * K / 8192 + cycles) for cycles, amplitude in parts)
    return Waveform.from_volts(gain * np.asarray(volts), interval=1 / 8192, name="clock")


WAVE = wave_of((500.2, 1.0), (1000.4, 0.02), (1700.3, 0.004), (2100.0, 0.001))
MASK = [[600.0, 0.01], [4000.0, 0.002]]


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def limit_at(frequency: float) -> float:
    # straight over log frequency in decibels, between the two points of MASK
    share = math.log(frequency / 600) / math.log(4000 / 600)
    return 0.01 * (0.002 / 0.01) ** share


def test_lines_above_the_mask_are_found_with_margin_worst_first() -> None:
    found = spurs(Survey(WAVE), mask=MASK)
    assert [spur.frequency for spur in found] == pytest.approx([1000.4], abs=0.01)
    assert found[0].amplitude == pytest.approx(0.02, rel=1e-3)
    assert found[0].limit == pytest.approx(limit_at(1000), rel=1e-6)
    assert found[0].margin_db == pytest.approx(20 * math.log10(limit_at(1000) / 0.02), abs=0.01)
    lower = spurs(Survey(WAVE), mask=[[600.0, 0.003], [4000.0, 0.003]])
    assert [spur.frequency for spur in lower] == pytest.approx([1000.4, 1700.3], abs=0.01)
    assert value(measure(WAVE, "spurs_over_mask", mask=MASK)) == 1
    assert value(measure(WAVE, "spur_margin", mask=MASK)) == pytest.approx(found[0].margin_db)


def test_levels_may_be_text_or_decibels_under_the_strongest_tone() -> None:
    # math: −60 dB of 1 V is 1 mV
    for mask in ([["600 Hz", "-60 dB"], ["4 kHz", "-60 dB"]], [["600 Hz", "1 mV"], ["4 kHz", "1 mV"]]):
        margin = value(measure(WAVE, "spur_margin", mask=mask))
        assert margin == pytest.approx(20 * math.log10(1e-3 / 0.02), abs=0.01)


def test_there_is_no_limit_beyond_the_mask() -> None:
    clean = measure(WAVE, "spur_margin", mask=[[1200.0, 0.1], [4000.0, 0.1]])
    assert value(clean) == pytest.approx(20 * math.log10(0.1 / 0.004), abs=0.05)
    assert value(measure(WAVE, "spurs_over_mask", mask=[[1200.0, 0.1], [4000.0, 0.1]])) == 0
    assert "the mask covers no line" in measure(WAVE, "spur_margin", mask=[[5000.0, 1.0], [6000.0, 1.0]]).reason


@given(gain=st.floats(1e-3, 1e3))
def test_a_relative_mask_knows_no_scale(gain: float) -> None:
    wave = wave_of((500.2, 1.0), (1000.4, 0.02), gain=gain)
    mask = [["600 Hz", "-50 dB"], ["4 kHz", "-50 dB"]]
    assert value(measure(wave, "spur_margin", mask=mask)) == pytest.approx(-50 - 20 * math.log10(0.02), abs=1e-2)


def test_uncertainty_is_the_scatter_of_repeated_readings() -> None:
    rng = np.random.default_rng(5)
    clean = wave_of((500.2, 1.0), (1000.4, 0.02)).values()
    records = [Waveform.from_volts(clean + 0.03 * rng.standard_normal(8192), interval=1 / 8192) for _ in range(120)]
    readings = [measure(record, "spur_margin", mask=MASK) for record in records]
    scatter = np.std([value(reading) for reading in readings])
    # 120 runs tell a scatter to 6 %
    assert np.mean([reading.uncertainty for reading in readings]) == pytest.approx(scatter, rel=0.25)


NO_MASKS: list[object] = [
    [],
    "1 kHz",
    [[1.0, 1.0]],
    [[2.0, 1.0], [1.0, 1.0]],
    [[1.0, 0.0], [2.0, 1.0]],
    [[1.0], [2.0]],
    [[1.0, True], [2.0, 1.0]],
]


@pytest.mark.parametrize("mask", NO_MASKS, ids=str)
def test_what_is_no_mask_is_refused(mask: object) -> None:
    with pytest.raises(Misuse):
        read_mask(mask, unit="V", reference=1.0)
