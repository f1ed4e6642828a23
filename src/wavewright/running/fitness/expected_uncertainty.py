"""The uncertainty to be expected at a limit, from what is stated, and how it compares with the width of the limit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from wavewright.analysis.doubts import Reads
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.instruments.profile import Profile
from wavewright.instruments.stated_accuracy import standard_uncertainty
from wavewright.judgement.decision import applied_rule
from wavewright.judgement.decision_rules import DecisionRule
from wavewright.judgement.guard_bands import guard_band
from wavewright.quantities import Interval, show_quantity
from wavewright.recipe.metering import Metering
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.limited_reading import ChannelInUse, LimitedReading
from wavewright.running.fitness.rules import FitnessRule
from wavewright.running.input_accuracy import input_accuracy

ENOUGH = 4.0  # times the expanded uncertainty in half the width of a limit; common practice, no source
NOTHING_DECIDED = 1.0
UNSIGNED = ("ac_voltage", "ac_current", "resistance")  # of a meter: never below 0
WORDS = {"timebase": "time base"}
SIZES = ("ac_rms", "sine_amplitude", "strongest_tone_amplitude")  # that an offset does not change
LEVELS_TOO = ("mean", "cycle_mean", "rms", "cycle_rms", "sine_offset")  # that it does


def uncertainty(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """A limit that is not much wider than what the stated accuracy leaves open, or for which too little is stated."""
    budget = budget_at(reading, reading.largest)
    if budget is None:
        return
    if budget.missing:
        yield from not_stated(budget, reading.rule)
    else:
        yield from compared(budget, reading.limit, reading.rule, has_zero=_has_zero(reading))


def uncertainty_of_metering(wanted: Metering, profile: Profile, rule: DecisionRule) -> Iterator[FitnessFinding]:
    """The same of a reading of the meter or the supply."""
    limit = None if wanted.limit is None else wanted.limit.interval
    ends = [] if limit is None else [end for end in (limit.low, limit.high) if math.isfinite(end)]
    if limit is None or not ends:
        return
    value, stated = max(ends, key=abs), profile.grammar.accuracy
    standard = standard_uncertainty(stated, wanted.quantity, value, full_scale=wanted.range)
    needs_range = stated.offset is not None and bool(stated.offset.share) and wanted.range is None
    if standard is None:
        if not needs_range:  # the meter finds its range, and its accuracy with it
            missing = f"accuracy of `{wanted.quantity}` of `{profile.name}`"
            yield from not_stated(Budget(value, wanted.unit, missing=(missing,)), rule)
        return
    shape = stated.limits.distribution
    budget = Budget(value, wanted.unit, (Contribution("accuracy", standard, distribution=shape),))
    yield from compared(budget, limit, rule, has_zero=wanted.quantity in UNSIGNED)


def budget_at(reading: LimitedReading, value: float) -> Budget | None:
    """What the stated accuracy makes of a value, and what is missing; None where what it does is not known."""
    unit, accuracies = reading.limit.unit, [accuracy_of(one) for one in reading.channels]
    if reading.is_of_volts and reading.channel is not None:
        return _of_volts(reading, reading.channel, accuracies[0], value)
    if unit not in ("s", "Hz") or not accuracies:
        return None
    stated = {"timebase": (accuracies[0].timebase, abs(value))}
    if len(accuracies) > 1:
        stated["skew"] = (accuracies[0].skew, 1.0)
        accuracies[0] = with_skew_of_both(accuracies)
    return _budget(reading, accuracies[0], stated, value)


def _of_volts(reading: LimitedReading, channel: ChannelInUse, accuracy: Accuracy, value: float) -> Budget | None:
    is_size = reading.is_difference or reading.metric in SIZES
    if channel.range is None or not (is_size or reading.is_of_levels or reading.metric in LEVELS_TOO):
        return None
    stated = {"gain": (accuracy.gain, abs(value))}
    has_tolerance = not (accuracy.attenuation_is_known and accuracy.attenuation is None)
    if has_tolerance and "gain" not in accuracy.corrected:  # which is that of input and probe together
        stated["tolerance of the probe"] = (accuracy.attenuation, abs(value))
    if accuracy.nonlinearity is not None:
        stated["non-linearity"] = (accuracy.nonlinearity.limit(channel.range), 1.0)
    if not is_size:
        stated["offset"] = (None if accuracy.offset is None else accuracy.offset.limit(channel.range), 1.0)
    more = []
    if channel.step is not None and reading.is_of_levels:
        more = [_half_a_code(channel.step)] * (2 if is_size else 1)
    return _budget(reading, accuracy, stated, value, more=more)


def _budget(
    reading: LimitedReading,
    accuracy: Accuracy,
    stated: dict[str, tuple[float | None, float]],
    value: float,
    *,
    more: list[Contribution] | None = None,
) -> Budget:
    """By name of what is stated its limit and the sensitivity; a limit of None is missing, unless it is corrected."""
    limits, corrected = accuracy.limits, accuracy.corrected
    found = [
        Contribution(WORDS.get(name, name), corrected[name] * stated[name][1]) for name in stated if name in corrected
    ]
    rest = {name: one for name, one in stated.items() if name not in corrected}
    found += [
        Contribution(WORDS.get(name, name), limits.standard(limit) * slope, distribution=limits.distribution)
        for name, (limit, slope) in rest.items()
        if limit is not None
    ]
    lacking = (WORDS.get(name, name) for name, (limit, _) in rest.items() if limit is None)
    missing = tuple(f"{name} of `{reading.profile.name}`" for name in lacking)
    return Budget(value, reading.limit.unit, (*found, *(more or ())), missing)


def accuracy_of(channel: ChannelInUse) -> Accuracy:
    """What is stated about an input as it will be set, and which of it is corrected."""
    settings = {} if channel.range is None else {f"input{channel.path.channel.input}.range": channel.range}
    stated = input_accuracy(channel.path, settings, instrument="")
    middle = channel.path.channel.offset
    if channel.range is None or middle == "auto":
        return stated
    corrected = channel.path.corrected(range=channel.range, middle=0.0 if middle is None else float(middle))
    return replace(stated, corrected=corrected)


def with_skew_of_both(accuracies: list[Accuracy]) -> Accuracy:
    """The first, with the skew between two inputs: corrected only where both are."""
    corrected = {name: left for name, left in accuracies[0].corrected.items() if name != "skew"}
    skews = [one.corrected.get("skew") for one in accuracies]
    known = [skew for skew in skews if skew is not None]
    if len(known) == len(skews):
        corrected["skew"] = math.hypot(*known)
    return replace(accuracies[0], corrected=corrected)


def _half_a_code(step: float) -> Contribution:
    """The half of a code that a sample may be off (JCGM 100:2008, F.2.2.1 †)."""
    return Contribution("quantisation", step / math.sqrt(12), distribution=Distribution.RECTANGULAR)


def _has_zero(reading: LimitedReading) -> bool:
    """Whether a limit with one end has a width: from 0, which no such reading goes below."""
    is_size = reading.is_difference or reading.metric in (*SIZES, "rms", "cycle_rms")
    is_delay = len(reading.channels) > 1 and Reads.FRAMES not in reading.parts  # which may be negative
    return is_size or (reading.limit.unit in ("s", "Hz") and not is_delay)


def not_stated(budget: Budget, rule: DecisionRule) -> Iterator[FitnessFinding]:
    """With a guard band a reading whose budget is not complete does not pass; without one it is judged all the same."""
    if applied_rule(rule, budget.unit).is_guarded:
        lacking = " and the ".join(budget.missing)
        what = f"the {lacking} is not stated, and `judge: {rule.name}` needs it"
        yield FitnessFinding(FitnessRule.NOT_STATED, what, None, budget.unit, cannot_decide=True)


def compared(budget: Budget, limit: Interval, rule: DecisionRule, *, has_zero: bool) -> Iterator[FitnessFinding]:
    """A limit beside the expanded uncertainty at it.

    Parameters
    ----------
    has_zero : a limit with one end has a width: from 0, which no such reading goes below.
    """
    ends = [end for end in (limit.low, limit.high) if math.isfinite(end)]
    is_two_sided = len(ends) == 2
    if not is_two_sided and not (has_zero and any(ends)):
        return
    half_width = (ends[1] - ends[0]) / 2 if is_two_sided else abs(ends[0])
    if not rule.guards_acceptance and half_width >= ENOUGH * budget.not_beyond():
        return  # most limits are that wide; the width itself takes a thousand times as long, and loads NumPy
    expanded = budget.expanded()
    if not expanded:
        return
    ratio = half_width / expanded
    is_empty = rule.guards_acceptance and guard_band(budget, limit, rule).accepted is None
    if ratio < ENOUGH or is_empty:
        shown = show_quantity(expanded, budget.unit, resolution=expanded / 20)
        half = "half the width of the limit" if is_two_sided else "the limit"
        largest = max(budget.contributions, key=lambda one: one.standard).name
        most = f", most of it from {largest}" if len(budget.contributions) > 1 else ""
        what = f"{half} is {ratio:.2g} times the expanded uncertainty (95 %) of {shown} by the stated accuracy{most}"
        what += f"; with `{rule}` no reading could pass" if is_empty else ""
        yield FitnessFinding(FitnessRule.UNCERTAINTY, what, ratio, cannot_decide=is_empty or ratio < NOTHING_DECIDED)
