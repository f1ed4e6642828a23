"""The uncertainty to be expected at a limit, from what is stated, and how it compares with the width of the limit."""

from __future__ import annotations

import math
from collections.abc import Iterator

from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.instruments.profile import Profile
from wavewright.instruments.stated_accuracy import standard_uncertainty
from wavewright.quantities import Interval, show_quantity
from wavewright.recipe.metering import Metering
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.limited_reading import ChannelInUse, LimitedReading
from wavewright.running.fitness.rules import FitnessRule

ENOUGH = 4.0  # times the expanded uncertainty in half the width of a limit; common practice, no source
NOTHING_DECIDED = 1.0
SIZES = ("ac_rms", "sine_amplitude", "strongest_tone_amplitude")  # that an offset does not change
LEVELS_TOO = ("mean", "cycle_mean", "rms", "cycle_rms", "sine_offset")  # that it does


def uncertainty(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """A limit that is not much wider than what the stated accuracy leaves open."""
    budget = budget_at(reading, reading.largest)
    if budget is not None:
        yield from _compared(budget, reading.limit, reading.tolerance, has_zero=_has_zero(reading))


def uncertainty_of_metering(wanted: Metering, profile: Profile) -> Iterator[FitnessFinding]:
    """The same of a reading of the meter or the supply."""
    limit = None if wanted.limit is None else wanted.limit.interval
    ends = [] if limit is None else [end for end in (limit.low, limit.high) if math.isfinite(end)]
    if limit is None or not ends:
        return
    value = max(ends, key=abs)
    standard = standard_uncertainty(profile.grammar.accuracy, wanted.quantity, value, full_scale=wanted.range)
    if standard is None:
        return
    budget = Budget(value, wanted.unit, (Contribution("accuracy", standard, distribution=Distribution.RECTANGULAR),))
    tolerance = (ends[1] - ends[0]) / 2 if len(ends) == 2 else abs(value)
    yield from _compared(budget, limit, tolerance, has_zero=True)


def budget_at(reading: LimitedReading, value: float) -> Budget | None:
    """What the stated accuracy makes of a value; None where nothing is stated, or what it does is not known."""
    unit, accuracy = reading.limit.unit, reading.profile.grammar.accuracy
    found: list[Contribution] = []
    if reading.is_of_volts and reading.channel is not None:
        found = _of_volts(reading, reading.channel, value)
    elif unit in ("s", "Hz") and accuracy.timebase is not None and reading.channels:
        found = [_limit("time base", accuracy.timebase * abs(value))]
        if len(reading.channels) > 1 and accuracy.skew is not None:
            found.append(_limit("skew", accuracy.skew))
    return Budget(value, unit, tuple(found)) if found else None


def _of_volts(reading: LimitedReading, channel: ChannelInUse, value: float) -> list[Contribution]:
    accuracy = reading.profile.grammar.accuracy
    is_size = reading.is_difference or reading.metric in SIZES
    is_level = reading.is_of_levels or reading.metric in LEVELS_TOO
    if accuracy.gain is None or not (is_size or is_level):
        return []
    found = [_limit("gain", accuracy.gain * abs(value))]
    if not is_size:
        if accuracy.offset is None or channel.range is None:
            return []
        share, fixed = accuracy.offset
        found.append(_limit("offset", share * channel.range + fixed * channel.path.attenuation))
    if channel.step is not None and reading.is_of_levels:
        found += [_limit("quantisation", channel.step / 2)] * (2 if is_size else 1)
    return found


def _limit(name: str, limit: float) -> Contribution:
    """A limit of error, taken as rectangular (JCGM 100:2008, 4.3.7 †)."""
    return Contribution(name, limit / math.sqrt(3), distribution=Distribution.RECTANGULAR)


def _has_zero(reading: LimitedReading) -> bool:
    """Whether a limit with one end has a width: from 0, which no such reading goes below."""
    return reading.is_difference or reading.metric in (*SIZES, "rms", "cycle_rms") or reading.limit.unit in ("s", "Hz")


def _compared(budget: Budget, limit: Interval, tolerance: float, *, has_zero: bool) -> Iterator[FitnessFinding]:
    is_two_sided = math.isfinite(limit.low) and math.isfinite(limit.high)
    expanded = budget.expanded()
    if not expanded or not (is_two_sided or has_zero):
        return
    ratio = tolerance / expanded
    if ratio < ENOUGH:
        shown = show_quantity(expanded, budget.unit, resolution=expanded / 20)
        half = "half the width of the limit" if is_two_sided else "the limit"
        largest = max(budget.contributions, key=lambda one: one.standard).name
        most = f", most of it from {largest}" if len(budget.contributions) > 1 else ""
        what = f"{half} is {ratio:.2g} times the expanded uncertainty (95 %) of {shown} by the stated accuracy{most}"
        yield FitnessFinding(FitnessRule.UNCERTAINTY, what, ratio, cannot_decide=ratio < NOTHING_DECIDED)
