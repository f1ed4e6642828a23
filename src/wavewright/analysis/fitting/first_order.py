"""First-order circuits: one resistor and one capacitor, as low pass (a bandwidth) or high pass (an ac coupling)."""

from __future__ import annotations

import math

from wavewright.analysis.elementary.exponentials import expm1, log
from wavewright.errors import Misuse

RISE_FACTOR = log(9.0)  # rise time from 10 % to 90 % of an exponential, in time constants


def cutoff_frequency(resistance: float, capacitance: float) -> float:
    """Hz: 1 / (2π R C); infinite where either is 0."""
    constant = resistance * capacitance
    return 1 / (2 * math.pi * constant) if constant else math.inf


def amplitude_error(frequency: float, bandwidth: float) -> float:
    """How much too small a single pole shows a sine, as a ratio below 0: 1 / √(1 + (f/B)²) − 1."""
    return 1 / math.hypot(1, frequency / bandwidth) - 1


def rise_time(cutoff: float) -> float:
    """s, 10 % to 90 % of the step response: ln 9 / (2π f_c)."""
    return RISE_FACTOR / (2 * math.pi * cutoff)


def pulse_droop(width: float, cutoff: float) -> float:
    """Drop of one ac-coupled pulse at its end, of its height: 1 − exp(−2π f_c t)."""
    if width < 0:
        raise Misuse(f"a pulse of {width:g} s", expected="0 s or more")
    return -expm1(-2 * math.pi * cutoff * width)
