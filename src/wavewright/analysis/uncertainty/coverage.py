"""Coverage: the distribution of a sum of independent contributions, and the interval that holds it with a probability.

The distributions are propagated through the linear model (JCGM 101:2008, 5 †), by calculation and not by drawing: the
characteristic functions are multiplied, and the sum is a Fourier series on an interval that the sum does not leave. So
a rectangular contribution of half-width a that dominates gives ± 0.95·a for 95 %, and not ± 1.13·a.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache

import numpy as np

from wavewright.analysis.elementary.angles import cosine_and_sine_of
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.errors import Misuse
from wavewright.waveform import Floats

NEGLIGIBLE = 1e-3  # of the largest contribution: all others together move an interval by less than 1 in 10⁶
FEWEST_TERMS, MOST_TERMS = 2048, 1 << 16
TERMS_A_STANDARD = 20.0  # the series goes up to this angle times the smallest scale that still matters
ACCURATE = 1e-9  # of the standard uncertainty
COLUMNS = 64  # of the table that the terms of the series are in

Shape = tuple[Distribution, float, float]  # with its standard uncertainty, > 0, and its degrees of freedom


def half_width(contributions: Iterable[Contribution], probability: float) -> float:
    """Half the width of the coverage interval of a sum of independent contributions, in their unit.

    Parameters
    ----------
    probability : that the interval holds the value, between 0 and 1, both excluded.

    Raises
    ------
    Misuse : such a probability it is not.
    """
    if not 0 < probability < 1:
        raise Misuse(f"coverage probability {probability:g}", expected="between 0 and 1, such as 0.95")
    shapes, scale = _shapes(contributions)
    return scale * _half_width(shapes, probability) if shapes else 0.0


def probability_within(contributions: Iterable[Contribution], distance: float) -> float:
    """Probability that a sum of independent contributions lies within ± `distance`, both in one unit; 0 … 1."""
    shapes, scale = _shapes(contributions)
    if not shapes:
        return 1.0
    return _probability(shapes, distance / scale) if distance > 0 else 0.0


def _shapes(contributions: Iterable[Contribution]) -> tuple[tuple[Shape, ...], float]:
    """What matters of them over the largest, all normal ones as one, and the largest."""
    squares: dict[tuple[Distribution, float], list[float]] = {}
    for one in contributions:
        kind, freedom = one.distribution, one.degrees_of_freedom
        if kind is not Distribution.T or not math.isfinite(freedom):
            kind, freedom = (Distribution.NORMAL if kind is Distribution.T else kind), math.inf
        if one.standard:
            squares.setdefault((kind, freedom), []).append(abs(one.standard))
    shapes: list[Shape] = []
    for (kind, freedom), standards in squares.items():
        parts = [math.hypot(*standards)] if kind is Distribution.NORMAL else standards
        shapes += [(kind, standard, freedom) for standard in parts]
    if not shapes:
        return (), 0.0
    shapes.sort(key=lambda shape: shape[1], reverse=True)
    scale = shapes[0][1]
    return _without_negligible([(kind, standard / scale, freedom) for kind, standard, freedom in shapes]), scale


def _without_negligible(shapes: list[Shape]) -> tuple[Shape, ...]:
    rest = 0.0
    while len(shapes) > 1 and math.hypot(rest, shapes[-1][1]) < NEGLIGIBLE:
        rest = math.hypot(rest, shapes.pop()[1])
    return tuple(shapes)


@lru_cache(maxsize=4096)
def _half_width(shapes: tuple[Shape, ...], probability: float) -> float:
    if len(shapes) == 1:
        kind, standard, freedom = shapes[0]
        return standard * kind.half_width(probability, freedom=freedom)
    if len(shapes) == 2 and all(kind is Distribution.RECTANGULAR for kind, _, _ in shapes):
        return _half_width_of_trapezium(math.sqrt(3) * shapes[0][1], math.sqrt(3) * shapes[1][1], probability)
    angles, weights, length = _series(shapes)
    low, high = 0.0, length
    middle = min(length, 2 * math.hypot(*(standard for _, standard, _ in shapes)))
    while high - low > ACCURATE * shapes[0][1]:
        sines, cosines = _sums(angles, weights, middle)
        excess = middle / length + sines - probability
        low, high = (low, middle) if excess > 0 else (middle, high)
        density = 1 / length + cosines
        step = middle - excess / density if density > 0 else low
        if abs(step - middle) < ACCURATE * shapes[0][1]:
            return step
        middle = step if low < step < high else (low + high) / 2
    return middle


def _half_width_of_trapezium(long: float, short: float, probability: float) -> float:
    """Of the sum of two rectangular distributions of these half-widths (closed form)."""
    if probability * long <= long - short:
        return probability * long
    return long + short - math.sqrt(4 * long * short * (1 - probability))


def _probability(shapes: tuple[Shape, ...], distance: float) -> float:
    if len(shapes) == 1:
        kind, standard, freedom = shapes[0]
        return kind.probability_within(distance / standard, freedom=freedom)
    angles, weights, length = _series(shapes)
    if distance >= length:
        return 1.0
    return min(1.0, max(0.0, distance / length + _sums(angles, weights, distance)[0]))


@lru_cache(maxsize=256)
def _series(shapes: tuple[Shape, ...]) -> tuple[Floats, Floats, float]:
    """Angles and weights of the sine series of the probability within ± x, for x from 0 to the length, and that."""
    length = 1.01 * sum(standard * kind.reach(freedom=freedom) for kind, standard, freedom in shapes)
    finest = max(standard for _, standard, _ in shapes)
    needed = TERMS_A_STANDARD * length / (math.pi * finest)
    order = np.arange(1, int(min(max(FEWEST_TERMS, needed), MOST_TERMS)) + 1)
    angles: Floats = np.asarray(math.pi / length * order, dtype=np.float64)
    product = np.ones(order.size)
    for kind, standard, freedom in shapes:
        product *= kind.characteristic(standard * angles, freedom=freedom)
    return angles, np.asarray(2 / (math.pi * order) * product, dtype=np.float64), length


def _sums(angles: Floats, weights: Floats, distance: float) -> tuple[float, float]:
    """Σ weight · sin(angle · distance), and its derivative; the angles are the multiples of the first.

    Sine and cosine of a sum of two angles: a few of them make those of all.
    """
    rows = -(-weights.size // COLUMNS)
    table = np.zeros((2, rows, COLUMNS))
    table[0].flat[: weights.size] = weights
    table[1].flat[: weights.size] = weights * angles
    step = float(angles[0]) * distance
    cosines, sines = cosine_and_sine_of(step * np.arange(1, COLUMNS + 1))
    to_row, up_to_row = cosine_and_sine_of(step * COLUMNS * np.arange(rows))
    value = up_to_row * (table[0] * cosines).sum(axis=1) + to_row * (table[0] * sines).sum(axis=1)
    slope = to_row * (table[1] * cosines).sum(axis=1) - up_to_row * (table[1] * sines).sum(axis=1)
    return float(value.sum()), float(slope.sum())
