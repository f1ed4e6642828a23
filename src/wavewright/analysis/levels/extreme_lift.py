"""What noise does to the largest of many values: it lies beyond the largest true one, and by about how much."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.elementary.exponentials import power
from wavewright.analysis.elementary.normal import normal_quantile
from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.analysis.record.survey import Survey

OF_LIFT = 0.8
"""Standard uncertainty over the lift itself, not a chance but a shift that is not corrected. With 0.8 the
interval 1.96·√((0.8·b)² + u²) reaches b + 1.6·u for a lift of b among all else of u, and further if b dominates."""
OF_SPAN = 0.875
SCATTER_OF_LARGEST = 0.5  # of the noise, about: standard deviation of the largest of 100 to 1000 normal values (math)
ON_A_STATE, ON_A_CREST = 2.0, 0.7
"""Values that compete for being the largest, over those seen near it. On a state as many lie below as above its level;
of a crest only the very top counts (of a parabola in noise, by simulation)."""
STATE_REACH = 5.0  # standard deviations of the noise that an extreme of a state lies off its level at most
NEAR = 3.0  # standard deviations of the noise below an extreme, where the samples lie that might have been it


def lift_of_largest(count: float) -> float:
    """Standard uncertainty, in standard deviations of the noise, of the largest of this many equal values by its lift.

    The largest of n noisy values lies beyond the true one by Φ⁻¹(0.5^(1/n)) in half of all cases (math).

    Parameters
    ----------
    count : of values, ≥ 1.
    """
    return OF_LIFT * max(normal_quantile(power(0.5, 1 / max(count, 1.0))), 0.0)


def competing(survey: Survey, *, highest: bool, noise: float) -> float:
    """About how many samples may have been the extreme, but for the noise: those within 3 standard deviations of it."""
    histogram, wave = survey.histogram, survey.wave
    reach = NEAR * noise / abs(wave.gain)
    lowest, last = survey.extremes
    if highest == (wave.gain > 0):
        first = int(np.searchsorted(histogram.codes, last - reach, side="left"))
        near, extreme = float(histogram.counts[first:].sum()), last
    else:
        end = int(np.searchsorted(histogram.codes, lowest + reach, side="right"))
        near, extreme = float(histogram.counts[:end].sum()), lowest
    return near * (ON_A_STATE if _is_on_a_state(survey, wave.value_of(extreme), noise) else ON_A_CREST)


def _is_on_a_state(survey: Survey, extreme: float, noise: float) -> bool:
    """Whether an extreme is that of a state at which the waveform dwells; a steady record is one."""
    try:
        levels = survey.levels
    except NotMeasurable:
        return True
    lowest, highest = survey.extremes
    if abs(survey.wave.gain) * (highest - lowest) <= 2 * STATE_REACH * noise:
        return True
    near = min(abs(extreme - levels.low), abs(extreme - levels.high)) <= STATE_REACH * noise
    return levels.has_states and near


def lift_of_extreme(survey: Survey, *, highest: bool, noise: float) -> float:
    """Standard uncertainty that noise gives to the highest or the lowest sample, both in the waveform's unit."""
    return noise * lift_of_largest(competing(survey, highest=highest, noise=noise)) if noise else 0.0


def lift_of_span(survey: Survey, *, noise: float) -> float:
    """The same of the distance from the lowest to the highest sample."""
    if not noise:
        return 0.0
    count = max(competing(survey, highest=highest, noise=noise) for highest in (True, False))
    # both ends, always outwards; of so large a shift a smaller share does, since there is little else beside it
    return 2 * noise * lift_of_largest(count) * OF_SPAN
