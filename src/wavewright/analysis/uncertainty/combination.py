"""Combination: the budget of a result that is a function of named inputs, some of which may correlate."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.inputs import Input
from wavewright.errors import Misuse
from wavewright.waveform import Floats

STEP = 0.01  # of a standard uncertainty, to either side: the slope of the function at the estimates
Correlations = Mapping[tuple[str, str], float]


def combine(
    function: Callable[..., float],
    inputs: Mapping[str, Input | Budget],
    *,
    unit: str = "1",
    correlations: Correlations | None = None,
) -> Budget:
    """The value of a function of inputs with its budget: the law of propagation of uncertainty (JCGM 100:2008, 5).

    Parameters
    ----------
    function : takes the inputs by name, as numbers, and returns a number in `unit`.
    inputs : by name; an `Input`, or the budget of a reading, whose contributions keep their identity.
    correlations : correlation coefficient of a pair of inputs, −1 … 1 (5.2); pairs that are left out do not correlate.
        Inputs that do are one contribution, with the fewest degrees of freedom among them; where each of them has a
        `key`, several independent ones that other results of the same inputs share.

    Raises
    ------
    Misuse : a function that gives no finite number, an unknown input in a correlation, coefficients that cannot be true
        at the same time, or a correlation stated for a budget.

    Examples
    --------
    >>> power = combine(lambda v, i: v * i, {"v": Input(12.0, 0.03), "i": Input(2.0, 0.01)}, unit="W")
    >>> power.value, round(power.standard, 4)
    (24.0, 0.1342)
    """
    estimates = {name: one.value for name, one in inputs.items()}
    value = _computed(function, estimates)
    slopes = {name: _slope(function, estimates, name, one.standard) for name, one in inputs.items()}
    stated = dict(correlations or {})
    _check_names(stated, inputs)
    sets = _connected(stated)
    contributions: list[Contribution] = []
    missing: list[str] = []
    for name, one in inputs.items():
        if isinstance(one, Budget):
            contributions += [_weighted(each, slopes[name]) for each in one.contributions]
            missing += one.missing
        elif not any(name in group for group in sets):
            contributions.append(_of_input(name, one, slopes[name]))
    for group in sets:
        members = {name: one for name in group if isinstance(one := inputs[name], Input)}
        contributions += _of_set(members, {name: slopes[name] for name in group}, stated)
    return Budget(value, unit, tuple(contributions), tuple(missing))


def correlation(first: Budget, second: Budget) -> float:
    """Correlation coefficient of two values, from the contributions that both contain (JCGM 100:2008, 5.2.2)."""
    scale = first.standard * second.standard
    known = {one.key: one.standard for one in second.contributions if one.key and not one.is_bound}
    own = [one for one in first.contributions if one.key and not one.is_bound]
    shared = math.fsum(one.standard * known.get(one.key, 0.0) for one in own)
    return shared / scale if scale else 0.0


def covariance_factors(names: list[str], standards: Floats, stated: Correlations) -> Floats:
    """Matrix L with covariance = L · Lᵀ, shape (n, n); raises Misuse where the coefficients contradict each other."""
    matrix = np.eye(len(names))
    for (one, other), coefficient in stated.items():
        if one in names and other in names:
            row, column = names.index(one), names.index(other)
            matrix[row, column] = matrix[column, row] = coefficient
    values, vectors = np.linalg.eigh(matrix)
    if values[0] < -1e-9 * len(names):
        raise Misuse(
            f"the correlation coefficients of {', '.join(names)} cannot be true at the same time",
            expected="a matrix without negative eigenvalues",
            do="take them from the same observations, with more digits",
        )
    # the symmetric root: no order of the inputs is preferred
    root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    return np.asarray(standards[:, None] * root)


def _computed(function: Callable[..., float], estimates: Mapping[str, float]) -> float:
    value = float(function(**estimates))
    if not math.isfinite(value):
        at = ", ".join(f"{name} = {number:g}" for name, number in estimates.items())
        raise Misuse(f"the function gives {value:g} at {at}", expected="a finite number")
    return value


def _slope(function: Callable[..., float], estimates: Mapping[str, float], name: str, standard: float) -> float:
    """Partial derivative by one input, from two values of the function (5.1.3, note 2)."""
    step = STEP * standard
    low, high = estimates[name] - step, estimates[name] + step
    if low == high:
        return 0.0
    ends = [_computed(function, {**estimates, name: place}) for place in (low, high)]
    return (ends[1] - ends[0]) / (high - low)


def _of_input(name: str, one: Input, slope: float) -> Contribution:
    return Contribution(
        name,
        slope * one.standard,
        key=one.key,
        distribution=one.distribution,
        sensitivity=slope,
        degrees_of_freedom=one.degrees_of_freedom,
        source=one.source,
    )


def _weighted(one: Contribution, slope: float) -> Contribution:
    sensitivity = None if one.sensitivity is None else slope * one.sensitivity
    return replace(one, standard=slope * one.standard, sensitivity=sensitivity)


def _of_set(members: Mapping[str, Input], slopes: Mapping[str, float], stated: Correlations) -> list[Contribution]:
    """Contributions of inputs that correlate with each other."""
    names = sorted(members)
    factors = covariance_factors(names, np.array([members[name].standard for name in names]), stated)
    parts = np.array([slopes[name] for name in names]) @ factors
    freedom = min(one.degrees_of_freedom for one in members.values())
    kind = Distribution.T if math.isfinite(freedom) else Distribution.NORMAL
    label = ", ".join(names)
    source = "; ".join(dict.fromkeys(one.source for one in members.values() if one.source))
    if not all(one.key for one in members.values()):
        total = float(np.sqrt(parts @ parts))
        return [Contribution(f"{label}, which correlate", total, distribution=kind, degrees_of_freedom=freedom,
                             source=source)]  # fmt: skip
    keys = "+".join(members[name].key for name in names)
    return [
        Contribution(
            f"{label}, part {number} of {len(names)}",
            float(part),
            key=f"{keys}:{number}",
            distribution=kind,
            degrees_of_freedom=freedom,
            source=source,
        )
        for number, part in enumerate(parts, 1)
    ]


def _check_names(stated: Correlations, inputs: Mapping[str, Input | Budget]) -> None:
    for pair, coefficient in stated.items():
        for name in pair:
            if name not in inputs:
                raise Misuse(f"a correlation with `{name}`", expected=f"one of {', '.join(inputs)}")
            if isinstance(inputs[name], Budget):
                raise Misuse(
                    f"a correlation of `{name}`, which is a budget",
                    expected="inputs; budgets correlate by the contributions that they share",
                )
        if pair[0] == pair[1] or not -1 <= coefficient <= 1:
            raise Misuse(f"correlation {coefficient:g} of {' and '.join(pair)}", expected="of two inputs, −1 … 1")


def _connected(stated: Correlations) -> list[set[str]]:
    """Sets of inputs that correlate with each other, directly or through others."""
    sets: list[set[str]] = []
    for pair, coefficient in stated.items():
        if not coefficient:
            continue
        touched = [group for group in sets if group & set(pair)]
        sets = [group for group in sets if group not in touched] + [set(pair).union(*touched)]
    return sets
