"""Phase noise of clocks whose edges are late by noise of a known density."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import periodogram

from tests.analysis.lines_with_edges import line_with_edges
from wavewright.analysis.jitter.phase_noise import time_error_density
from wavewright.analysis.measure import measure
from wavewright.errors import Misuse
from wavewright.quantities import read_quantity, show_quantity
from wavewright.waveform import Floats, Waveform

CARRIER = 10e6  # Hz
COUNT = 16_384


def clock(late: Floats) -> Waveform:
    """A clock of 10 MHz whose rising edges are late by so much, s."""
    rising = 30e-9 + np.arange(late.size) / CARRIER + late
    instants = np.stack([rising, rising + 50e-9], axis=1).ravel()
    return line_with_edges(instants, interval=5e-9, ramp=20e-9, end=instants[-1] + 40e-9)


def white(level_dbc: float, seed: int) -> Floats:
    """Time errors, s, with flat phase noise of so many dBc/Hz up to half the frequency of the clock."""
    phase = math.sqrt(2 * 10 ** (level_dbc / 10) * CARRIER / 2)  # math: one-sided density 2·L over f0 / 2
    return phase / (2 * math.pi * CARRIER) * np.random.default_rng(seed).standard_normal(COUNT)


def test_flat_phase_noise() -> None:
    # math; L(f) is half the one-sided density: IEEE 1139, from memory, not verified.
    # -120 dBc/Hz from 10 kHz to 1 MHz on 10 MHz: sqrt(2e-12 * 990 kHz) = 1.407125e-3 rad, 22.3951 ps
    wave = clock(white(-120.0, 1))
    jitter = measure(wave, "phase_jitter", lowest="10 kHz", highest="1 MHz")
    assert jitter.value == pytest.approx(22.3951e-12, rel=0.05)
    assert jitter.value == pytest.approx(22.3951e-12, abs=3 * jitter.uncertainty)
    for offset in ("30 kHz", "300 kHz", "3 MHz"):
        noise = measure(wave, "phase_noise", offset=offset)
        assert noise.value == pytest.approx(-120.0, abs=4 * noise.uncertainty)
        assert noise.uncertainty < 2.0
        assert noise.unit == "dBc/Hz"


def test_the_uncertainty_is_the_scatter_of_clocks_with_the_same_noise() -> None:
    waves = [clock(white(-110.0, seed)) for seed in range(20)]
    for metric, options in (
        ("phase_noise", {"offset": "100 kHz"}),
        ("phase_jitter", {"lowest": "10 kHz", "highest": "200 kHz"}),
    ):
        readings = [measure(wave, metric, **options) for wave in waves]
        scatter = np.std([reading.value for reading in readings], ddof=1)
        # 20 runs tell a scatter to 16 %
        stated = np.mean([reading.uncertainty for reading in readings])
        # that of the jitter also says how well the edges are known, 0.36 ns each, of which this band has a share
        edges = math.sqrt(190e3 / 5e6) * 0.37e-9 if metric == "phase_jitter" else 0.0
        assert 0.6 * scatter < stated < math.hypot(1.6 * scatter, edges), metric


def test_a_modulation_is_in_its_band_and_in_no_other() -> None:
    # math: 1 ns of sinusoidal modulation is 0.7071 ns rms; 655 whole periods in the record, so no line but its own
    period = COUNT / 655
    wave = clock(1e-9 * np.sin(2 * np.pi * np.arange(COUNT) / period))
    inside = measure(wave, "phase_jitter", lowest="300 kHz", highest="500 kHz")
    assert inside.value == pytest.approx(1e-9 / math.sqrt(2), rel=2e-3)
    outside = measure(wave, "phase_jitter", lowest="600 kHz", highest="900 kHz")
    assert outside.value < 0.01e-9


def test_the_density_is_that_of_another_library() -> None:
    errors = np.random.default_rng(3).standard_normal(1000)
    ours = time_error_density(errors, 1e-6)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(1000) + 0.5) / 1000)
    offsets, densities = periodogram(errors, 1e6, window=window, detrend=False)
    assert ours.step == pytest.approx(offsets[1])
    assert ours.densities[1:-1] == pytest.approx(densities[1:-1], rel=1e-9)


def test_offsets_that_the_record_does_not_bear_are_refused() -> None:
    wave = clock(white(-120.0, 4)[:1000])
    assert "3e+04 Hz (three periods in the record) to 5e+06 Hz" in measure(wave, "phase_noise", offset="1 kHz").reason
    assert measure(wave, "phase_noise", offset="6 MHz").value is None
    with pytest.raises(Misuse, match="is not below"):
        measure(wave, "phase_jitter", lowest="1 MHz", highest="100 kHz")


def test_its_unit_is_written_and_shown() -> None:
    assert read_quantity("-112 dBc/Hz", unit="dBc/Hz").value == -112.0
    assert show_quantity(-112.0, "dBc/Hz") == "-112 dBc/Hz"
