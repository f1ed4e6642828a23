"""Distributions of what is not known about a value, all symmetric about 0 (JCGM 101:2008, 6.4 †)."""

from __future__ import annotations

import math
from enum import StrEnum

import numpy as np

from wavewright.analysis.elementary.angles import arcsine
from wavewright.analysis.elementary.bessel import bessel_j0
from wavewright.analysis.elementary.exponentials import exp, square
from wavewright.analysis.elementary.normal import erf, normal_quantile
from wavewright.analysis.elementary.student import characteristic_of_t, probability_of_t, quantile_of_t
from wavewright.analysis.elementary.turns import sinc, sine
from wavewright.waveform import Floats

AS_NORMAL = 120.0  # degrees of freedom above which a t distribution is taken as a normal one of the same variance
TAIL_OF_T = 1e-6  # probability beyond the reach of a t distribution
WIDEST_T = 5000.0  # standard uncertainties; reach of a t distribution of one degree of freedom
REACH_OF_NORMAL = 6.0  # standard uncertainties; beyond them 2e-9 (math)


class Distribution(StrEnum):
    """The shape of a distribution; how wide it is, a standard uncertainty says.

    That of `t` is the scale of a t distribution with the degrees of freedom that go with it (JCGM 101:2008, 6.4.9 †).
    """

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"
    T = "t"

    def characteristic(self, angles: Floats, *, freedom: float = math.inf) -> Floats:
        """The characteristic function of a distribution with standard uncertainty 1: real, since it is symmetric.

        Parameters
        ----------
        angles : ≥ 0, shape (n,).
        freedom : degrees of freedom of a t distribution.
        """
        if self is Distribution.RECTANGULAR:
            return sinc(math.sqrt(3) * angles / math.pi)
        if self is Distribution.TRIANGULAR:
            return np.square(sinc(math.sqrt(6) * angles / (2 * math.pi)))
        if self is Distribution.ARCSINE:
            return bessel_j0(math.sqrt(2) * angles)
        if self is Distribution.T and freedom <= AS_NORMAL:
            return characteristic_of_t(angles, freedom)
        variance = freedom / (freedom - 2) if self is Distribution.T and math.isfinite(freedom) else 1.0
        return exp(-variance * np.square(angles) / 2)

    def half_width(self, probability: float, *, freedom: float = math.inf) -> float:
        """Half the width of the coverage interval of a distribution with standard uncertainty 1.

        Parameters
        ----------
        probability : that the interval holds the value, between 0 and 1, both excluded.
        freedom : degrees of freedom of a t distribution.
        """
        if self is Distribution.RECTANGULAR:
            return math.sqrt(3) * probability
        if self is Distribution.TRIANGULAR:
            return math.sqrt(6) * (1 - math.sqrt(1 - probability))
        if self is Distribution.ARCSINE:
            return math.sqrt(2) * sine(probability / 4)
        if self is Distribution.T and math.isfinite(freedom):
            return quantile_of_t(probability, freedom)
        return normal_quantile((1 + probability) / 2)

    def probability_within(self, distance: float, *, freedom: float = math.inf) -> float:
        """Probability that a distribution with standard uncertainty 1 lies within ± `distance`, > 0; the inverse."""
        if self is Distribution.RECTANGULAR:
            return min(1.0, distance / math.sqrt(3))
        if self is Distribution.TRIANGULAR:
            return 1 - square(max(0.0, 1 - distance / math.sqrt(6)))
        if self is Distribution.ARCSINE:
            return 2 / math.pi * arcsine(min(1.0, distance / math.sqrt(2)))
        if self is Distribution.T and math.isfinite(freedom):
            return probability_of_t(distance, freedom)
        return erf(distance / math.sqrt(2))

    def reach(self, *, freedom: float = math.inf) -> float:
        """How far a distribution with standard uncertainty 1 reaches; of one without end, nearly all of it."""
        if self is Distribution.NORMAL or (self is Distribution.T and freedom > AS_NORMAL):
            return REACH_OF_NORMAL
        if self is Distribution.T:
            return min(quantile_of_t(1 - TAIL_OF_T, freedom), WIDEST_T)
        return self.half_width(1.0)
