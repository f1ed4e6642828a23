"""Propagation of distributions by drawing, for functions that are not linear within the uncertainty of their inputs."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from wavewright.analysis.uncertainty.combination import Correlations, covariance_factors
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.inputs import Input
from wavewright.errors import Misuse
from wavewright.waveform import Floats

FEWEST_DRAWS = 1000


@dataclass(frozen=True, slots=True, eq=False)
class Propagated:
    """The distribution of a result, as values drawn from it, ascending; shape (n,)."""

    values: Floats

    @property
    def mean(self) -> float:
        """The estimate of the result."""
        return float(self.values.mean())

    @property
    def standard(self) -> float:
        """Its standard uncertainty."""
        return float(self.values.std(ddof=1))

    def interval(self, coverage: float = 0.95, *, shortest: bool = False) -> tuple[float, float]:
        """The interval that holds the true value with this probability (JCGM 101:2008, 7.7 †).

        Parameters
        ----------
        shortest : the shortest of all such intervals, instead of the one with equal chances on both sides.

        Raises
        ------
        Misuse : a coverage that is not between 0 and 1, or for which there are too few draws.
        """
        if not 0 < coverage < 1 or self.values.size * (1 - coverage) < 10:
            raise Misuse(f"coverage {coverage:g} of {self.values.size} draws", expected="at least 10 draws outside")
        if not shortest:
            low, high = np.quantile(self.values, [(1 - coverage) / 2, (1 + coverage) / 2])
            return float(low), float(high)
        inside = math.ceil(coverage * self.values.size)
        widths = self.values[inside:] - self.values[: self.values.size - inside]
        first = int(widths.argmin())
        return float(self.values[first]), float(self.values[first + inside])


def propagate(
    function: Callable[..., Floats],
    inputs: Mapping[str, Input],
    *,
    rng: np.random.Generator,
    draws: int = 200_000,
    correlations: Correlations | None = None,
) -> Propagated:
    """The distribution of a function of inputs, from joint draws of all of them (JCGM 101:2008, 7 †).

    Parameters
    ----------
    function : takes the inputs by name, as arrays of shape (draws,), and returns such an array.
    inputs : by name. An input of distribution t scatters by more than its standard uncertainty (6.4.9 †).
    correlations : of pairs of normal inputs, as for `combine`.
    draws : 200 000 give a 95 % interval to about 1 % of its width.

    Raises
    ------
    Misuse : too few draws, a correlation of an input that is not normal, or a result that is not finite throughout.
    """
    if draws < FEWEST_DRAWS:
        raise Misuse(f"{draws} draws", expected=f"at least {FEWEST_DRAWS}")
    stated = dict(correlations or {})
    together = sorted({name for pair in stated for name in pair})
    for name in together:
        if name not in inputs or inputs[name].distribution is not Distribution.NORMAL:
            raise Misuse(f"a correlation with `{name}`", expected="an input of normal distribution")
    drawn = {name: one.draws(draws, rng) for name, one in inputs.items() if name not in together}
    if together:
        factors = covariance_factors(together, np.array([inputs[name].standard for name in together]), stated)
        errors = factors @ rng.standard_normal((len(together), draws))
        drawn |= {name: inputs[name].value + errors[row] for row, name in enumerate(together)}
    values = np.sort(np.broadcast_to(np.asarray(function(**drawn), dtype=np.float64), (draws,)))
    if not np.isfinite(values).all():
        raise Misuse("the function gives values that are not finite", expected="finite numbers for all draws")
    return Propagated(values)
