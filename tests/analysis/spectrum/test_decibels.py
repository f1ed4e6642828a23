"""Levels in decibels."""

from __future__ import annotations

import math

import pytest

from wavewright.analysis.spectrum.decibels import (
    amplitude_ratio_db,
    dbm,
    dbu,
    dbv,
    power_ratio_db,
)

LEVELS = [
    # function, level, rms volts, source
    ("dBV of 1 V", dbv(1.0), 0.0, "definition: referred to 1 V rms"),
    ("dBV of 10 mV", dbv(0.01), -40.0, "math: 20·log10(0.01)"),
    ("dBu of 0.774597 V", dbu(math.sqrt(0.6)), 0.0, "common practice, no source: the voltage of 1 mW in 600 ohm"),
    ("dBu of 1 V", dbu(1.0), 2.218487, "math: 10·log10(1/0.6)"),
    ("dBm of 223.607 mV in 50 ohm", dbm(math.sqrt(0.05), impedance=50.0), 0.0, "math: U²/R = 1 mW"),
    ("dBm of 1 V in 50 ohm", dbm(1.0, impedance=50.0), 13.010300, "math: 20 mW"),
    ("dBm of 1 V in 75 ohm", dbm(1.0, impedance=75.0), 11.249387, "math: 13.333 mW"),
    ("dBm of 0 dBu in 600 ohm", dbm(math.sqrt(0.6), impedance=600.0), 0.0, "definition of dBu"),
]


@pytest.mark.parametrize("what, level, value, source", LEVELS, ids=[row[0] for row in LEVELS])
def test_level_of(what: str, level: float, value: float, source: str) -> None:
    assert level == pytest.approx(value, abs=1e-6), source


def test_nothing_is_infinitely_far_down() -> None:
    assert dbv(0.0) == amplitude_ratio_db(0.0) == power_ratio_db(0.0) == -math.inf
