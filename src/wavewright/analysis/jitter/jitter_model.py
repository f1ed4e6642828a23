"""Jitter models: total jitter at an error ratio, jitter from phase noise, and what jitter does to a converter."""

from __future__ import annotations

import math

import numpy as np

from wavewright.errors import Misuse
from wavewright.waveform import Floats


def gaussian_span(error_ratio: float) -> float:
    """Width, in standard deviations, that Gaussian jitter leaves on either side once in 1/error_ratio bits.

    Twice the abscissa at which one tail of the normal distribution holds `error_ratio`: the convention of one tail a
    side, common practice, no source.
    """
    from scipy.special import ndtri

    if not 0 < error_ratio < 0.5:
        raise Misuse(f"error ratio {error_ratio:g}", expected="between 0 and 0.5")
    return -2 * float(ndtri(error_ratio))


def total_jitter(deterministic: float, random: float, *, error_ratio: float = 1e-12) -> float:
    """Total jitter, s, of two deterministic edges, peak to peak, each blurred by random jitter, rms; both in s.

    Common practice, no source.
    """
    return deterministic + gaussian_span(error_ratio) * random


def jitter_of_phase_noise(offsets: Floats, levels_dbc: Floats, *, carrier: float) -> float:
    """Rms jitter, s, from phase noise.

    Parameters
    ----------
    offsets : distances from the carrier, Hz, ascending, shape (n,), n ≥ 2.
    levels_dbc : single-sideband phase noise there, dBc/Hz: half the one-sided density of the phase (IEEE
        1139 †). Between two offsets the density runs straight over log offset in decibels.
    carrier : Hz.
    """
    frequencies = np.asarray(offsets, dtype=np.float64)
    densities = 2 * 10 ** (np.asarray(levels_dbc, dtype=np.float64) / 10)
    if frequencies.size < 2 or not (np.diff(frequencies) > 0).all() or frequencies[0] <= 0:
        raise Misuse(f"offsets {frequencies.tolist()}", expected="two or more above 0 Hz, ascending")
    square = 0.0
    for low, high, first, last in zip(frequencies[:-1], frequencies[1:], densities[:-1], densities[1:], strict=True):
        exponent = math.log(last / first) / math.log(high / low)
        if math.isclose(exponent, -1.0, abs_tol=1e-9):
            square += first * low * math.log(high / low)
        else:
            square += first * low / (exponent + 1) * ((high / low) ** (exponent + 1) - 1)
    return math.sqrt(square) / (2 * math.pi * carrier)


def jitter_limited_snr_db(frequency: float, jitter: float) -> float:
    """Highest signal-to-noise ratio, dB, of a sine, Hz, sampled with so much rms jitter, s: math, first order."""
    return -20 * math.log10(2 * math.pi * frequency * jitter)
