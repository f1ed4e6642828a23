"""Power in bands and levels in decibels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.waveform import Waveform

K = np.arange(1000)
TWO_TONES = 2 * np.sin(2 * np.pi * 50 * K / 1000) + 0.5 + 0.1 * np.cos(2 * np.pi * 150 * K / 1000)
WAVE = Waveform.from_volts(TWO_TONES, interval=1e-3, name="signal")


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


BANDS = [
    # lowest, highest, mean square in V²; source: math (Parseval)
    (None, None, 0.25 + 2 + 0.005),
    (10.0, None, 2.005),
    (10.0, 100.0, 2.0),
    (100.0, 200.0, 0.005),
    (None, 10.0, 0.25),
]


@pytest.mark.parametrize("lowest, highest, square", BANDS)
def test_tones_add_to_the_band_they_lie_in(lowest: float | None, highest: float | None, square: float) -> None:
    band = {"lowest": lowest, "highest": highest}
    assert value(measure(WAVE, "band_rms", **band)) == pytest.approx(math.sqrt(square), rel=1e-9)
    assert value(measure(WAVE, "band_power", **band)) == pytest.approx(square / 50, rel=1e-9)
    assert value(measure(WAVE, "band_power", impedance="600 ohm", **band)) == pytest.approx(square / 600, rel=1e-9)
    assert value(measure(WAVE, "level_dbv", **band)) == pytest.approx(10 * math.log10(square), abs=1e-9)
    assert value(measure(WAVE, "level_dbu", **band)) == pytest.approx(10 * math.log10(square / 0.6), abs=1e-9)
    assert value(measure(WAVE, "level_dbm", **band)) == pytest.approx(10 * math.log10(square / 50 / 1e-3), abs=1e-9)


def test_uncertainty_is_the_scatter_of_noise_and_small_for_a_tone() -> None:
    rng = np.random.default_rng(2)
    records = [Waveform.from_volts(rng.standard_normal(2000), interval=1e-3) for _ in range(200)]
    readings = [measure(record, "band_rms", lowest=100.0, highest=200.0) for record in records]
    scatter = np.std([value(reading) for reading in readings])
    assert np.mean([reading.uncertainty for reading in readings]) == pytest.approx(scatter, rel=0.15)
    assert np.mean([value(reading) for reading in readings]) == pytest.approx(math.sqrt(0.2), rel=0.01)
    for name in ("level_dbv", "level_dbu", "level_dbm", "band_power"):
        found = [measure(record, name, lowest=100.0, highest=200.0) for record in records]
        scatter = np.std([value(reading) for reading in found])
        assert np.mean([reading.uncertainty for reading in found]) == pytest.approx(scatter, rel=0.15), name
    tone = measure(WAVE, "band_rms", lowest=10.0)
    assert tone.uncertainty is not None
    assert tone.uncertainty < 1e-12


@given(gain=st.floats(1e-3, 1e3), start=st.floats(-1, 1))
def test_scales_with_the_gain(gain: float, start: float) -> None:
    moved = Waveform.from_volts(gain * TWO_TONES, interval=1e-3, start=start)
    assert value(measure(moved, "band_rms")) == pytest.approx(gain * math.sqrt(2.255), rel=1e-9)
    shift_db = 20 * math.log10(gain)
    assert value(measure(moved, "level_dbm")) == pytest.approx(10 * math.log10(2255 / 50) + shift_db, abs=1e-8)


def test_parts_of_the_band_make_up_the_whole() -> None:
    wave = Waveform.from_volts(np.random.default_rng(4).normal(3, 1, 999), interval=1e-3)
    parts = [(0.0, 100.5), (100.5, 300.5), (300.5, 500.0)]  # no line of 1.001 Hz, 2.002 Hz, … on a border
    powers = [value(measure(wave, "band_power", lowest=low, highest=high, window="rectangular")) for low, high in parts]
    assert sum(powers) == pytest.approx(value(measure(wave, "band_power", window="rectangular")), rel=1e-9)
    assert sum(powers) * 50 == pytest.approx(float((wave.values() ** 2).mean()), rel=1e-9)


def test_refusals_say_why() -> None:
    assert "nothing in 0 lines" in measure(WAVE, "band_rms", lowest="600 Hz").reason
    current = Waveform.from_volts(TWO_TONES, interval=1e-3, unit="A", name="coil")
    assert "`coil` is in A" in measure(current, "level_dbm").reason
    assert measure(current, "band_rms").unit == "A"


@pytest.mark.parametrize("band", [{"lowest": 40e3, "highest": 60e3}, {}])
def test_the_uncertainty_of_a_tone_among_noise_is_what_it_scatters_by(band: dict[str, float]) -> None:
    # windowed power of a steady tone under white noise: standard deviation σ·√(n·Σw⁴/(Σw²)²/n), for Hann √(35/18/n)
    size, sigma = 4000, 1e-3
    tone = np.sin(2 * np.pi * 0.05 * np.arange(size) + 0.3)
    readings = [
        measure(
            Waveform.from_volts(tone + np.random.default_rng(k).normal(0, sigma, size), interval=1e-6),
            "band_rms",
            **band,
        )
        for k in range(60)
    ]
    scatter = np.std([reading.value for reading in readings], ddof=1)
    stated = np.mean([reading.uncertainty for reading in readings])
    assert stated == pytest.approx(sigma * np.sqrt(35 / 18 / size), rel=0.1)
    assert scatter == pytest.approx(stated, rel=0.3)  # of 60 draws: 1/√(2·59) is 9 %
    db = measure(
        Waveform.from_volts(tone + np.random.default_rng(1).normal(0, sigma, size), interval=1e-6), "level_dbv"
    )
    assert db.uncertainty == pytest.approx(20 / np.log(10) * stated / readings[1].value, rel=0.1)
