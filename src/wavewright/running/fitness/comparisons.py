"""Whether limits on what two waveforms differ by can be decided: errors that both have cancel, noise adds."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from wavewright.analysis.front_end.input_noise import SHARE_OF_SWING, peaks_of_noise
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.instruments.setups import TimebaseSetup
from wavewright.judgement.decision_rules import DecisionRule
from wavewright.quantities import Interval, show_quantity
from wavewright.recipe.comparison import Alignment, Comparison
from wavewright.running.fitness.expected_uncertainty import accuracy_of, compared, not_stated, with_skew_of_both
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.limited_reading import ChannelInUse
from wavewright.running.fitness.rules import FitnessRule


@dataclass(frozen=True, slots=True)
class ComparedWaveforms:
    """Two waveforms as they will be taken.

    Parameters
    ----------
    now : the channel that is compared.
    before : the one that it is compared with; None where that is in a file, or derived.
    timebase : of the record; None where the run finds it.
    """

    wanted: Comparison
    now: ChannelInUse
    before: ChannelInUse | None
    timebase: TimebaseSetup | None
    rule: DecisionRule

    @property
    def is_one_input(self) -> bool:
        """Whether both come through one input as it is set for both: its errors are the same in both."""
        if self.before is None:
            return False
        ways = [
            (one.path.channel.input, one.range, one.middle, one.path.attenuation, one.path.channel.coupling)
            for one in (self.now, self.before)
        ]
        return ways[0] == ways[1] and self.now.range is not None

    @property
    def inputs(self) -> tuple[ChannelInUse, ...]:
        """The inputs whose settings are known: of a waveform in a file nothing is."""
        return (self.now,) if self.before is None else (self.now, self.before)

    @property
    def noise(self) -> float | None:
        """Of the difference, V rms: noise and quantisation of both; None where the profile does not state it.

        What a waveform in a file has is not counted.
        """
        squares = 0.0
        for one in self.inputs:
            noise = one.path.profile.grammar.accuracy.noise
            if noise is None or one.range is None:
                return None
            rms = noise[0] * one.range + noise[1] * one.path.attenuation
            squares += rms**2 + (one.step or 0.0) ** 2 / 12  # rectangular, JCGM 100:2008, F.2.2.1 †
        return math.sqrt(squares)


def comparison_fitness(pair: ComparedWaveforms) -> Iterator[tuple[str, FitnessFinding]]:
    """What is found about the limits of one comparison, each with the name of its reading."""
    for what, limit in pair.wanted.limits.items():
        interval = limit.interval
        if not any(map(math.isfinite, (interval.low, interval.high))):
            continue
        for examination in (_reach, *EXAMINED[what]):
            for found in examination(pair, what, interval):
                yield f"{pair.wanted.name}.{what}", found


def _reach(pair: ComparedWaveforms, what: str, limit: Interval) -> Iterator[FitnessFinding]:
    """A limit that no two records can break."""
    width, timebase = pair.now.range, pair.timebase
    if what == "delay" and timebase is not None:
        low, high, unit = -timebase.span / 2, timebase.span / 2, "s"  # further it is not looked for
    elif what in ("rms", "largest", "offset") and width is not None:
        other = None if pair.before is None else pair.before.seen
        if pair.now.seen is None or other is None:
            return
        most = max(other.high, pair.now.seen.high) - min(other.low, pair.now.seen.low)
        low, high, unit = (-most if what == "offset" else 0.0), most, "V"
    else:
        return
    if low in limit and high in limit:
        ends = [show_quantity(end, unit) for end in (low, high)]
        told = f"`{what}` is from {ends[0]} to {ends[1]}, whatever the signals are, and all of that is within the limit"
        yield FitnessFinding(FitnessRule.REACH, told, 1.0, cannot_decide=True)


def _noise(pair: ComparedWaveforms, what: str, limit: Interval) -> Iterator[FitnessFinding]:
    """A limit on a difference that noise alone comes near."""
    noise, timebase = pair.noise, pair.timebase
    if noise is None or not math.isfinite(limit.high) or (what == "largest" and timebase is None):
        return
    found = noise if what == "rms" or timebase is None else peaks_of_noise(noise, timebase.points)
    if found > SHARE_OF_SWING * limit.high > 0:
        shown = [show_quantity(one, "V") for one in (found, limit.high)]
        whose = (
            "the input may make, by its profile, a difference"
            if pair.before is None
            else ("by their profile the inputs may make a difference")
        )
        told = (
            f"{whose} of {shown[0]} {'rms ' if what == 'rms' else ''}from noise alone, and the limit ends at {shown[1]}"
        )
        yield FitnessFinding(FitnessRule.INPUT_NOISE, told, found, "V", cannot_decide=found >= limit.high)


def _of_delay(pair: ComparedWaveforms, what: str, limit: Interval) -> Iterator[FitnessFinding]:
    now = accuracy_of(pair.now)
    parts = _shared(pair, "timebase", _largest(limit))
    jitter = pair.now.path.profile.grammar.accuracy.trigger_jitter
    if jitter and pair.wanted.align is Alignment.TRIGGER:
        parts.append(Contribution("trigger jitter", math.sqrt(2) * jitter, distribution=Distribution.NORMAL))
    missing = []
    if pair.before is not None and pair.before.path.channel.input != pair.now.path.channel.input:
        both = with_skew_of_both([now, accuracy_of(pair.before)])
        if both.skew is None and "skew" not in both.corrected:
            missing.append("skew")
        else:
            parts.append(_stated(both, "skew", both.skew or 0.0))
    yield from _held(pair, parts, missing, limit, has_zero=False)


def _of_offset(pair: ComparedWaveforms, what: str, limit: Interval) -> Iterator[FitnessFinding]:
    parts, missing = _shared(pair, "gain", _largest(limit)), []
    if not pair.is_one_input:
        for number, one in enumerate(pair.inputs):
            stated = accuracy_of(one)
            end = None if stated.offset is None else stated.offset.limit(one.range)
            if end is None and "offset" not in stated.corrected:
                missing.append("offset")
            else:
                parts.append(_stated(stated, "offset" if number == 0 else "offset of the other", end or 0.0))
    yield from _held(pair, parts, missing, limit, has_zero=False)


def _of_gain(pair: ComparedWaveforms, what: str, limit: Interval) -> Iterator[FitnessFinding]:
    parts: list[Contribution] = []
    missing: list[str] = []
    if not pair.is_one_input:
        for number, one in enumerate(pair.inputs):
            stated = accuracy_of(one)
            of = "" if number == 0 else " of the other"
            for name, end in (("gain", stated.gain), ("tolerance of the probe", stated.attenuation)):
                if name != "gain" and "gain" in stated.corrected:
                    continue  # a correction is that of input and probe together
                if end is not None or name in stated.corrected:
                    parts.append(_stated(stated, f"{name}{of}", (end or 0.0) * _largest(limit)))
                elif name == "gain" or not stated.attenuation_is_known:
                    missing.append(f"{name}{of}")
    yield from _held(pair, parts, missing, limit, has_zero=True)


def _held(
    pair: ComparedWaveforms, parts: list[Contribution], missing: list[str], limit: Interval, *, has_zero: bool
) -> Iterator[FitnessFinding]:
    named = tuple(f"{name} of `{pair.now.path.profile.name}`" for name in dict.fromkeys(missing))
    budget = Budget(_largest(limit), limit.unit, tuple(parts), named)
    if named:
        yield from not_stated(budget, pair.rule)
    elif parts:
        yield from compared(budget, limit, pair.rule, has_zero=has_zero)


def _shared(pair: ComparedWaveforms, name: str, value: float) -> list[Contribution]:
    """What scales a difference of two readings of one input: it is as small as the difference."""
    end = getattr(accuracy_of(pair.now), name)
    return [] if end is None else [_stated(accuracy_of(pair.now), name, end * abs(value))]


def _stated(accuracy: Accuracy, name: str, limit: float) -> Contribution:
    corrected = accuracy.corrected.get(name.removesuffix(" of the other"))
    if corrected is not None:  # of a gain as a ratio, and such a limit is one
        return Contribution(name, corrected)
    return Contribution(name, accuracy.limits.standard(limit), distribution=accuracy.limits.distribution)


def _largest(limit: Interval) -> float:
    return max((abs(end) for end in (limit.low, limit.high) if math.isfinite(end)), default=0.0)


Examined = Callable[[ComparedWaveforms, str, Interval], Iterator[FitnessFinding]]
EXAMINED: Mapping[str, tuple[Examined, ...]] = MappingProxyType(
    {"rms": (_noise,), "largest": (_noise,), "delay": (_of_delay,), "gain": (_of_gain,), "offset": (_of_offset,)}
)
