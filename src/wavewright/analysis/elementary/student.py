"""Student's t distribution, as a normal one whose variance is itself drawn: from the inverse of a gamma distribution.

So everything about it is a mean of what is known of normal distributions, over few nodes: the trapezoidal rule in the
logarithm of the variance, which for functions that are analytic around the real axis is exact to far below float64
(SIAM Review 56 (2014), no. 3, 385–458 †).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from wavewright.analysis.elementary.exponentials import exp
from wavewright.analysis.elementary.normal import erf
from wavewright.waveform import Floats

_STEP = 0.15  # of the logarithm, at most
_LEAST = -43.0  # logarithm of a weight over the largest; nodes of less, 2**-62, are left out
_MOST_ROUNDS = 400


def characteristic_of_t(angles: Floats, freedom: float) -> Floats:
    """The characteristic function of a t distribution of scale 1, at angles ≥ 0."""
    precisions, weights = _nodes(freedom)
    total = np.zeros_like(angles)
    for precision, weight in zip(precisions, weights, strict=True):
        total += weight * exp(-angles * angles * (0.5 / precision))
    return total


def probability_of_t(distance: float, freedom: float) -> float:
    """Probability that a t distributed value of scale 1 lies within ± a distance."""
    precisions, weights = _nodes(freedom)
    return float(np.sum(weights * erf(distance * np.sqrt(precisions / 2))))


@lru_cache(maxsize=1024)
def quantile_of_t(probability: float, freedom: float) -> float:
    """The distance ± which a t distributed value of scale 1 lies within, with a probability, from 0 to below 1."""
    precisions, weights = _nodes(freedom)
    distance = 0.0
    # from the middle outwards the probability is concave, so that no step goes too far
    for _ in range(_MOST_ROUNDS):
        normal = np.sqrt(2 * precisions / math.pi) * exp(-distance * distance / 2 * precisions)
        step = (probability - probability_of_t(distance, freedom)) / float(np.sum(weights * normal))
        distance += step
        if abs(step) <= 2.0**-50 * distance:
            break
    return distance


@lru_cache(maxsize=256)
def _nodes(freedom: float) -> tuple[Floats, Floats]:
    """Inverse variances, with the weight of each; the weights add up to 1."""
    shape = freedom / 2
    step = min(_STEP, 0.5 / math.sqrt(shape))
    places = [0]
    for direction in (-1, 1):
        count = direction
        while shape * (step * count + 1 - exp(step * count)) > _LEAST:
            places.append(count)
            count += direction
    logarithms = step * np.array(sorted(places), dtype=np.float64)
    precisions = exp(logarithms)
    weights = exp(shape * (logarithms + 1 - precisions))
    return precisions, weights / weights.sum()
