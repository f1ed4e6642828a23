"""A reading with a limit, and the set-up that it will be made with: what every examination looks at."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.doubts import EXTREMES, LEVELS, Reads
from wavewright.errors import Misuse, Place
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.digitizer_setup import nearest_range_not_below
from wavewright.instruments.profile import Profile
from wavewright.instruments.setups import InputSetup, TimebaseSetup
from wavewright.judgement.decision_rules import SIMPLE, DecisionRule
from wavewright.quantities import Interval
from wavewright.recipe.computation import Computation
from wavewright.recipe.measurement import Measurement
from wavewright.running.input_facts import InputPath, input_path
from wavewright.running.instrument_settings import RequestedSetup

OF_FREQUENCY = ("frequency", "strongest_tone", "switching_frequency", "sine_frequency")


@dataclass(frozen=True, slots=True)
class ChannelInUse:
    """One channel as it will be set.

    Parameters
    ----------
    range : full scale, V at the probe tip, that the instrument takes for the one in the recipe; None where the run
        finds it. `middle` : the voltage in its middle.
    step : V per code; None where the range or the codes are not known.
    """

    path: InputPath
    range: float | None
    middle: float
    step: float | None

    @property
    def seen(self) -> Interval | None:
        """What the converter can show, V; None where the run finds the range."""
        if self.range is None:
            return None
        return Interval(self.middle - self.range / 2, self.middle + self.range / 2, "V")


@dataclass(frozen=True, slots=True)
class LimitedReading:
    """One entry of `compute:` with a limit.

    Parameters
    ----------
    parts : what its metric reads; options : of the metric, read.
    channels : that it is read from; empty where one of them is derived.
    timebase : of the record; None where the run finds it.
    frequencies : Hz, those of the signal that the recipe states, in limits or for the source; ascending.
    rule : that decides.
    is_stimulated : the shot follows from a stimulus, so that no second look can be taken before it.
    """

    label: str
    name: str
    metric: str
    parts: frozenset[Reads]
    limit: Interval
    channels: tuple[ChannelInUse, ...]
    profile: Profile
    timebase: TimebaseSetup | None
    frequencies: tuple[float, ...] = ()
    is_stimulated: bool = False
    options: Mapping[str, Any] = field(default_factory=dict)
    rule: DecisionRule = SIMPLE
    place: Place | None = None

    @property
    def channel(self) -> ChannelInUse | None:
        """The only channel; None where there are several, or it is derived."""
        return self.channels[0] if len(self.channels) == 1 else None

    @property
    def ends(self) -> tuple[float, ...]:
        """The ends of the limit, lower and upper, that it has."""
        return tuple(end for end in (self.limit.low, self.limit.high) if math.isfinite(end))

    @property
    def is_two_sided(self) -> bool:
        """Whether it has both."""
        return len(self.ends) == 2

    @property
    def tolerance(self) -> float:
        """Half the width of the limit; of one with one end how far that is from 0."""
        return (self.limit.high - self.limit.low) / 2 if self.is_two_sided else abs(self.ends[0])

    @property
    def largest(self) -> float:
        """The end of the limit with the larger magnitude."""
        return max(self.ends, key=abs)

    @property
    def is_of_volts(self) -> bool:
        """Whether it is in the unit of its one channel."""
        return self.channel is not None and self.limit.unit == "V"

    @property
    def is_difference(self) -> bool:
        """Whether it is the difference of two samples or of two levels: from 0 to the width of the range."""
        return self.parts in (EXTREMES, LEVELS)

    @property
    def is_of_levels(self) -> bool:
        """Whether it is made of single samples or of levels, which noise does not average."""
        return bool(self.parts) and self.parts <= EXTREMES | LEVELS


def limited_readings(
    measurement: Measurement, goal: RequestedSetup, bench: BenchFile, profile: Profile
) -> Iterator[LimitedReading]:
    """Every entry of `compute:` of a measurement that has a limit and is read from waveforms."""
    setup, states = goal.setup, dict(_stated_frequencies(measurement))
    channels = channels_in_use(measurement, goal, bench, profile)
    for wanted in measurement.compute.values():
        limit = None if wanted.limit is None else wanted.limit.interval
        if limit is None or wanted.on_frames or not any(map(math.isfinite, (limit.low, limit.high))):
            continue
        metric = METRICS.find(wanted.metric)
        named = [channels[name] for name in wanted.of if name in channels]
        yield LimitedReading(
            label=measurement.label,
            name=wanted.name,
            metric=metric.name,
            parts=metric.reads,
            limit=limit,
            channels=tuple(named) if len(named) == len(wanted.of) else (),
            profile=profile,
            timebase=None if goal.cycles else setup.timebase,
            frequencies=tuple(sorted({one for name in ("", *wanted.of) for one in states.get(name, ())})),
            is_stimulated=setup.trigger.mode == "normal" and bool(measurement.stimulus),
            options=_options(wanted),
            rule=measurement.rule_of(wanted),
            place=wanted.place,
        )


def channels_in_use(
    measurement: Measurement, goal: RequestedSetup, bench: BenchFile, profile: Profile
) -> dict[str, ChannelInUse]:
    """The captured channels of a measurement, by name."""
    return {
        name: _in_use(name, goal.setup.inputs[name], measurement, bench, profile, is_found=name in goal.auto_ranges)
        for name in measurement.channels
    }


def codes_over_range(profile: Profile) -> float | None:
    """How many codes of the converter the full scale covers; None where the profile does not tell before a record."""
    waveform = profile.grammar.waveform
    form = waveform.formats.get(waveform.format)
    if form is not None and form.codes_over_range is not None:
        return form.codes_over_range
    if waveform.scale.told_in == "settings":
        return waveform.scale.codes_over_range
    return None if form is None or form.codes is None else form.codes[1] - form.codes[0] + 1


def _in_use(
    name: str, setup: InputSetup, measurement: Measurement, bench: BenchFile, profile: Profile, *, is_found: bool
) -> ChannelInUse:
    path = input_path(measurement.channels[name], bench, profile, attenuation=setup.attenuation)
    width = None if is_found else nearest_range_not_below(profile, setup.range, attenuation=setup.attenuation)
    codes = codes_over_range(profile)
    return ChannelInUse(path, width, setup.offset, width / codes if width and codes else None)


def _options(wanted: Computation) -> Mapping[str, Any]:
    try:
        return METRICS.find(wanted.metric).options(wanted.options)
    except Misuse:  # it was tried when the recipe was read; a metric of a plug-in may have changed since
        return {}


def _stated_frequencies(measurement: Measurement) -> Iterator[tuple[str, tuple[float, ...]]]:
    """By channel what its limits say of the frequency of its signal; under an empty name what the source plays."""
    played = [float(step.source.frequency) for step in measurement.stimulus if step.source and step.source.frequency]
    yield "", tuple(one for one in played if one > 0)
    found: dict[str, list[float]] = {}
    for wanted in measurement.compute.values():
        if wanted.limit is None or wanted.on_frames:
            continue
        ends = [one for one in (wanted.limit.interval.low, wanted.limit.interval.high) if 0 < one < math.inf]
        if wanted.metric in OF_FREQUENCY:
            found.setdefault(wanted.of[0], []).extend(ends)
        elif wanted.metric == "period":
            found.setdefault(wanted.of[0], []).extend(1 / one for one in ends)
    yield from ((name, tuple(ends)) for name, ends in found.items())
