"""Influences: from what is stated of the inputs of a reading to the changes of their waveforms, each with its size.

A direction is one way in which waveforms can change: the gain of an input, its offset, the clock of an instrument, the
delay between two of its inputs. An influence goes along one direction. Of integral non-linearity no more than a bound
is known: what moves one end of the record and leaves the other is an offset and a gain together.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.analysis.uncertainty.affine import Affine, Change, NumberShift
from wavewright.analysis.uncertainty.bending import Bends, parts_of
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.stated_limits import LimitMeaning, RangeLimit

# Steps along a direction of which nothing is stated, to see whether a reading depends on it at all.
PROBED_GAIN = 1e-2
PROBED_OFFSET = 1e-2  # of what the record covers, or of the range
PROBED_TIME = 1e-4
PROBED_DELAY = 1.0  # sample intervals


class Way(StrEnum):
    """What changes in a waveform."""

    GAIN = "gain"
    OFFSET = "offset"
    TIMEBASE = "timebase"
    SKEW = "skew"
    NUMBER = "number"  # in the expression of a derived channel


@dataclass(frozen=True, slots=True)
class Direction:
    """One way in which the waveforms of some inputs change together; `inputs` are their names."""

    way: Way
    inputs: tuple[str, ...]

    def change(self, amount: float) -> Change:
        """The change of so much: a ratio for gain and time base, s for skew, else the unit of what changes."""
        if self.way is Way.NUMBER:
            return dict.fromkeys(self.inputs, NumberShift(amount))
        affine = {
            Way.GAIN: Affine(gain=1 + amount),
            Way.OFFSET: Affine(offset=amount),
            Way.TIMEBASE: Affine(time=1 + amount),
            Way.SKEW: Affine(delay=amount),
        }[self.way]
        return dict.fromkeys(self.inputs, affine)


Along = tuple[tuple[Direction, float], ...]


@dataclass(frozen=True, slots=True)
class Influence:
    """One systematic error.

    Parameters
    ----------
    along : by direction, the standard uncertainty along it; signed where there are several.
    is_bound : it is a curve over the values of which no more than a bound is known. ends : what each end of it does
        alone, as `along`; bends : what moves the values between them. The effects of all are added by amount. Both are
        empty where the curve is as good as level.
    key : identity of the error; empty: another one in every shot.
    alike : of those that have this in common nobody has said whether they are one error or several; empty of others.
    """

    name: str
    key: str
    along: Along
    distribution: Distribution
    source: str
    alike: str = ""
    is_bound: bool = False
    ends: tuple[Along, ...] = ()
    bends: Bends | None = None

    @property
    def ways(self) -> Along:
        """Everything that has to be tried for it."""
        return tuple(each for end in self.ends for each in end) or self.along


@dataclass(frozen=True, slots=True)
class InputOfReading:
    """One captured channel that a reading depends on.

    Parameters
    ----------
    name : of the channel.
    accuracy : what is stated of it; None: nothing.
    """

    name: str
    survey: Survey
    accuracy: Accuracy | None

    @property
    def stated(self) -> Accuracy:
        """What is stated; of an input of which nothing is, an accuracy without a figure."""
        return self.accuracy if self.accuracy is not None else Accuracy()

    @property
    def key(self) -> str:
        """Identity of the input: that of the instrument and the input, where they are known, else of the channel."""
        return ":".join(word for word in (self.stated.instrument, self.stated.input or self.name) if word)

    @property
    def full_scale(self) -> float | None:
        """The range of the converter, peak to peak, in the waveform's unit; None where it is not known."""
        wave = self.survey.wave
        if wave.code_range is None:
            return None
        return (wave.code_range[1] - wave.code_range[0] + (self.survey.record.step > 0)) * abs(wave.gain)

    @property
    def ends(self) -> tuple[float, float]:
        """The lowest and the highest value of the record."""
        low, high = sorted(self.survey.wave.value_of(code) for code in self.survey.extremes)
        return low, high


@dataclass(frozen=True, slots=True)
class Unstated:
    """A direction of which nothing is stated, with a step to see whether it matters, and how to call it."""

    direction: Direction
    step: float
    name: str


@dataclass(frozen=True, slots=True)
class Influences:
    """Errors that are not of one input, for a reading that has such: of a number in an expression, of two triggers."""

    stated: tuple[Influence, ...] = ()
    unstated: tuple[Unstated, ...] = ()

    def of_inputs(self, begin: str) -> Influences:
        """The same with this in front of the names of what changes."""
        stated = [
            replace(one, along=_along(one.along, begin), ends=tuple(_along(end, begin) for end in one.ends))
            for one in self.stated
        ]
        unstated = [replace(one, direction=_named(one.direction, begin)) for one in self.unstated]
        return Influences(tuple(stated), tuple(unstated))

    def __add__(self, other: Influences) -> Influences:
        return Influences((*self.stated, *other.stated), (*self.unstated, *other.unstated))


def _along(along: Along, begin: str) -> Along:
    return tuple((_named(direction, begin), amount) for direction, amount in along)


def _named(direction: Direction, begin: str) -> Direction:
    return replace(direction, inputs=tuple(f"{begin}{name}" for name in direction.inputs))


NO_FURTHER = Influences()


def influences_of(inputs: Sequence[InputOfReading]) -> tuple[list[Influence], list[Unstated]]:
    """Everything that is stated of the inputs of a reading, and what is not."""
    stated: list[Influence] = []
    unstated: list[Unstated] = []
    for one in _distinct(inputs):
        names = tuple(other.name for other in inputs if other.key == one.key)
        _gain(one, Direction(Way.GAIN, names), stated, unstated)
        _offset(one, Direction(Way.OFFSET, names), stated, unstated)
        stated += _nonlinearity(one, names, inputs)
    for instrument, members in _by_instrument(inputs).items():
        _timebase(instrument, members, stated, unstated)
    _skews(inputs, stated, unstated)
    return stated, unstated


def _distinct(inputs: Sequence[InputOfReading]) -> list[InputOfReading]:
    return list({one.key: one for one in reversed(inputs)}.values())[::-1]


def _by_instrument(inputs: Sequence[InputOfReading]) -> Mapping[str, list[InputOfReading]]:
    found: dict[str, list[InputOfReading]] = {}
    for one in inputs:
        found.setdefault(one.stated.instrument, []).append(one)
    return found


def _gain(one: InputOfReading, along: Direction, stated: list[Influence], unstated: list[Unstated]) -> None:
    accuracy, of = one.stated, f" of `{one.survey.name}`"
    if "gain" in accuracy.corrected:
        stated += _corrected(one, "gain", along)
    elif accuracy.gain is None:
        unstated.append(Unstated(along, PROBED_GAIN, f"gain{of}"))
    else:
        stated.append(_limited(one, f"gain{of}", "gain", along, accuracy.gain))
    if not accuracy.attenuation_is_known and "gain" not in accuracy.corrected:  # a corrected gain is at the tip
        unstated.append(Unstated(along, PROBED_GAIN, f"attenuation of the probe{of}"))
    if accuracy.attenuation and "gain" not in accuracy.corrected:
        stated.append(_limited(one, f"attenuation of the probe{of}", "attenuation", along, accuracy.attenuation))
    drift = accuracy.temperature
    if drift is not None and drift.gain:
        stated.append(_limited(one, f"gain{of}: temperature", "gain drift", along, drift.gain * drift.within))


def _offset(one: InputOfReading, along: Direction, stated: list[Influence], unstated: list[Unstated]) -> None:
    accuracy, of = one.stated, f" of `{one.survey.name}`"
    limit = None if accuracy.offset is None else accuracy.offset.limit(one.full_scale)
    if "offset" in accuracy.corrected:
        stated += _corrected(one, "offset", along)
    elif limit is None:
        low, high = one.ends
        width = one.full_scale or (high - low) or abs(high) or 1.0
        unstated.append(Unstated(along, PROBED_OFFSET * width, f"offset{of}"))
    else:
        stated.append(_limited(one, f"offset{of}", "offset", along, limit))
    drift = accuracy.temperature
    if drift is not None and any(drift.offset):
        grown = RangeLimit(*(drift.within * part for part in drift.offset)).limit(one.full_scale)
        if grown is None:
            low, high = one.ends
            unstated.append(Unstated(along, PROBED_OFFSET * (high - low or 1.0), f"offset{of}: temperature"))
        else:
            stated.append(_limited(one, f"offset{of}: temperature", "offset drift", along, grown))


def _nonlinearity(one: InputOfReading, names: tuple[str, ...], inputs: Sequence[InputOfReading]) -> Iterator[Influence]:
    """The course of the converter: how far its codes lie from the straight line that gain and offset describe.

    Integral non-linearity is the largest such distance (IEEE 1241-2010 and IEEE 1057-2017, term `integral
    nonlinearity` †), so that the course is one curve within ± the limit, of which nothing else is known.
    """
    stated = one.stated.nonlinearity
    limit = None if stated is None else stated.limit(one.full_scale)
    if limit:
        meaning, name = one.stated.limits, f"non-linearity of `{one.survey.name}`"
        curve = bounded_curve(one, names, limit, name, key=f"{one.key}:nonlinearity", meaning=meaning)
        low, high = one.ends
        everyone = tuple(other.name for other in inputs)
        parts = parts_of(one.survey) if curve.ends else ()
        bends = Bends(names, everyone, low, high, meaning.standard(limit), parts) if parts else None
        yield replace(curve, bends=bends)


def bounded_curve(
    one: InputOfReading, names: tuple[str, ...], limit: float, name: str, *, key: str, meaning: LimitMeaning
) -> Influence:
    """An error of the values that is a curve over them, within ± a limit.

    A level is off by the limit at most, a difference of two levels by twice as much, an average over many levels by no
    more than one level, and a time at a level by what the level is off over the slope. The two ends are lines: each is
    off at one end of the record and right at the other, and the amounts of both are added. Where the record covers less
    than twice the limit, the curve is taken as level: it runs over the whole range and does not bend as fast.

    Parameters
    ----------
    names : of all channels that the input is, since the curve is one for all of them.
    """
    low, high = one.ends
    gain, offset = Direction(Way.GAIN, names), Direction(Way.OFFSET, names)
    amount = meaning.standard(limit)
    ends: tuple[Along, ...] = ()
    if high - low > 2 * limit:
        slopes = ((amount / (moved - kept), kept) for moved, kept in ((low, high), (high, low)))
        ends = tuple(((gain, slope), (offset, -slope * kept)) for slope, kept in slopes)
    return Influence(name, key, ((offset, amount),), meaning.distribution, one.stated.source, is_bound=True, ends=ends)


def _timebase(
    instrument: str, members: Sequence[InputOfReading], stated: list[Influence], unstated: list[Unstated]
) -> None:
    along = Direction(Way.TIMEBASE, tuple(dict.fromkeys(one.name for one in members)))
    first = members[0]
    key = ":".join(word for word in (instrument, "timebase") if word)
    if "timebase" in first.stated.corrected:
        stated += _corrected(first, "timebase", along, key=key)
    elif first.stated.timebase is None:
        unstated.append(Unstated(along, PROBED_TIME, "time base"))
    else:
        stated.append(_limited(first, "time base", key, along, first.stated.timebase, whole_key=True))
    drift = first.stated.temperature
    if drift is not None and drift.timebase:
        amount = drift.timebase * drift.within
        stated.append(_limited(first, "time base: temperature", f"{key} drift", along, amount, whole_key=True))


def _skews(inputs: Sequence[InputOfReading], stated: list[Influence], unstated: list[Unstated]) -> None:
    """Every further input against the first: delay between two inputs, whichever of them is late."""
    others = _distinct(inputs)[1:]
    first = inputs[0] if inputs else None
    for one in others:
        assert first is not None
        names = tuple(other.name for other in inputs if other.key == one.key)
        along = Direction(Way.SKEW, names)
        between = f"skew between `{first.survey.name}` and `{one.survey.name}`"
        sign = 1.0 if first.key <= one.key else -1.0  # whichever is named first, it is the same unknown delay
        key = f"{min(first.key, one.key)}~{max(first.key, one.key)}:skew"
        corrected = [each.stated.corrected.get("skew") for each in (first, one)]
        if first.stated.instrument == one.stated.instrument and None not in corrected:
            left = sign * math.hypot(*(each for each in corrected if each is not None))
            source = f"correction of the {between}"
            stated.append(Influence(between, key, ((along, left),), Distribution.NORMAL, source))
            continue
        limits = (first.stated.skew, one.stated.skew)
        if first.stated.instrument != one.stated.instrument or None in limits:
            unstated.append(Unstated(along, PROBED_DELAY * one.survey.wave.interval, between))
            continue
        amount = sign * max(limit for limit in limits if limit is not None)
        stated.append(_limited(one, between, key, along, amount, whole_key=True))


def _limited(
    one: InputOfReading, name: str, key: str, along: Direction, limit: float, *, whole_key: bool = False
) -> Influence:
    meaning = one.stated.limits
    amount = math.copysign(meaning.standard(abs(limit)), limit)
    return Influence(
        name, key if whole_key else f"{one.key}:{key}", ((along, amount),), meaning.distribution, one.stated.source
    )


def _corrected(one: InputOfReading, what: str, along: Direction, *, key: str = "") -> Iterator[Influence]:
    """What a correction leaves: its standard uncertainty, in place of the stated limit.

    What it has in common with other corrections, such as the meter that both were held against, keeps the identity of
    that: it correlates with them, those of other inputs included.
    """
    name = "time base" if what == "timebase" else f"{what} of `{one.survey.name}`"
    amount, shared = one.stated.corrected[what], one.stated.shared.get(what, {})
    source = f"correction of the {name}"
    for cause, part in shared.items():
        yield Influence(f"corrections: {cause}", f"correction:{cause}", ((along, part),), Distribution.NORMAL, source)
    rest = math.sqrt(max(0.0, square(amount) - math.fsum(map(square, shared.values()))))
    yield Influence(name, key or f"{one.key}:{what}", ((along, rest),), Distribution.NORMAL, source)
