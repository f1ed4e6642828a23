"""Decibels: ratios, and levels referred to 1 V (dBV), to 0.7746 V (dBu) and to 1 mW into an impedance (dBm).

All take and give rms values. 0 dBu is the voltage of 1 mW in 600 ohm, √0.6 V: common practice, no source. A level of
nothing is −∞.
"""

from __future__ import annotations

import math

from wavewright.analysis.elementary.exponentials import log, log10, power, square

DBU_REFERENCE = math.sqrt(0.6)  # V
DBM_REFERENCE = 1e-3  # W
DB_OF_RATIO = 10 / log(10)  # dB of a small relative change of a power


def amplitude_ratio_db(ratio: float) -> float:
    """20·log10 of a ratio of amplitudes, in dB."""
    return 20 * log10(ratio) if ratio > 0 else -math.inf


def power_ratio_db(ratio: float) -> float:
    """10·log10 of a ratio of powers, in dB."""
    return 10 * log10(ratio) if ratio > 0 else -math.inf


def amplitude_ratio(ratio_db: float) -> float:
    """The ratio of amplitudes that a number of dB stands for."""
    return power(10.0, ratio_db / 20)


def dbv(rms: float) -> float:
    """Level of an rms voltage, V, in dBV."""
    return amplitude_ratio_db(rms)


def dbu(rms: float) -> float:
    """Level of an rms voltage, V, in dBu."""
    return amplitude_ratio_db(rms / DBU_REFERENCE)


def dbm(rms: float, *, impedance: float) -> float:
    """Level, in dBm, of the power that an rms voltage, V, drives into a resistance, ohm."""
    return power_ratio_db(square(rms) / impedance / DBM_REFERENCE)
