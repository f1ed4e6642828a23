"""Inputs: quantities that a result follows from, and how uncertain each of them is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from wavewright.analysis.elementary.angles import cosine_and_sine_of
from wavewright.analysis.statistics.shot_statistics import mean_and_deviation
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.errors import Misuse
from wavewright.waveform import Floats


@dataclass(frozen=True, slots=True)
class Input:
    """An estimate with its standard uncertainty, for `combine` and `propagate` (JCGM 100:2008, 4).

    Parameters
    ----------
    value : the estimate, in a unit of the caller's choice.
    standard : its standard uncertainty, ≥ 0, in the same unit.
    distribution : normal, rectangular, triangular, arcsine, or t with its degrees of freedom.
    degrees_of_freedom : of `standard`; infinite where it was not found from a few observations.
    key : identity of its error. Two budgets that contain inputs of the same key know that it is one and the same error;
        empty: independent of everything else.
    source : where the figures come from, in words.

    Raises
    ------
    Misuse : a number that is not finite, a negative standard uncertainty, or fewer than one degree of freedom.

    Examples
    --------
    >>> Input.within(1.0, 0.02).standard == 0.02 / 3**0.5
    True
    """

    value: float
    standard: float = 0.0
    distribution: Distribution = Distribution.NORMAL
    degrees_of_freedom: float = math.inf
    key: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.standard) and self.standard >= 0):
            raise Misuse(
                f"input {self.value:g} with a standard uncertainty of {self.standard:g}",
                expected="two finite numbers, the second not negative",
            )
        if not self.degrees_of_freedom >= 1:
            raise Misuse(f"{self.degrees_of_freedom:g} degrees of freedom", expected="at least 1")
        object.__setattr__(self, "distribution", Distribution(self.distribution))

    @classmethod
    def observed(cls, values: Sequence[float], *, key: str = "", source: str = "") -> Self:
        """The mean of repeated observations: type A evaluation, s/√n with n − 1 degrees of freedom (4.2.3).

        Raises
        ------
        Misuse : fewer than two values.
        """
        mean, deviation = mean_and_deviation(values) if len(values) else (math.nan, None)
        if deviation is None:
            raise Misuse(f"{len(values)} observations", expected="at least 2")
        standard = deviation / math.sqrt(len(values))
        return cls(mean, standard, Distribution.T, len(values) - 1, key, source or f"{len(values)} observations")

    @classmethod
    def within(
        cls,
        value: float,
        half_width: float,
        *,
        distribution: Distribution | str = Distribution.RECTANGULAR,
        degrees_of_freedom: float = math.inf,
        key: str = "",
        source: str = "",
    ) -> Self:
        """Limits: the true value lies within value ± half_width (4.3.7, 4.3.9); rectangular if nothing else is known.

        Raises
        ------
        Misuse : a distribution without ends.
        """
        kind = Distribution(distribution)
        if kind in (Distribution.NORMAL, Distribution.T):
            raise Misuse(f"limits of a {kind} distribution", expected="rectangular, triangular or arcsine")
        return cls(value, half_width / kind.half_width(1.0), kind, degrees_of_freedom, key, source)

    @classmethod
    def certified(
        cls,
        value: float,
        expanded: float,
        *,
        k: float | None = None,
        coverage: float | None = None,
        degrees_of_freedom: float = math.inf,
        key: str = "",
        source: str = "",
    ) -> Self:
        """A certificate's value ± expanded uncertainty, with its coverage factor k, or its coverage (4.3.3, 4.3.4).

        Raises
        ------
        Misuse : neither or both of `k` and `coverage`.
        """
        if (k is None) == (coverage is None):
            raise Misuse("a certificate's expanded uncertainty", expected="either `k` or `coverage` with it")
        kind = Distribution.T if math.isfinite(degrees_of_freedom) else Distribution.NORMAL
        factor = k if k is not None else kind.half_width(coverage or 0.95, freedom=degrees_of_freedom)
        return cls(value, expanded / factor, kind, degrees_of_freedom, key, source)

    def draws(self, size: int, rng: np.random.Generator) -> Floats:
        """Values as likely as the distribution says (JCGM 101:2008, 6.4 †), shape (size,)."""
        shape = {
            Distribution.NORMAL: lambda: rng.standard_normal(size),
            Distribution.RECTANGULAR: lambda: rng.uniform(-math.sqrt(3), math.sqrt(3), size),
            Distribution.TRIANGULAR: lambda: rng.triangular(-math.sqrt(6), 0.0, math.sqrt(6), size),
            Distribution.ARCSINE: lambda: math.sqrt(2) * cosine_and_sine_of(rng.uniform(-math.pi, math.pi, size))[1],
            Distribution.T: lambda: self._t(size, rng),
        }[self.distribution]()
        return np.asarray(self.value + self.standard * shape)

    def _t(self, size: int, rng: np.random.Generator) -> Floats:
        freedom = self.degrees_of_freedom
        return rng.standard_t(freedom, size) if math.isfinite(freedom) else rng.standard_normal(size)
