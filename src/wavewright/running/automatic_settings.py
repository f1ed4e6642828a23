"""Automatic range, time base and trigger level of a measurement, found with trial shots.

The two searches speak to no instrument: whoever searches takes a shot with `setting`, lets the search `see` it, and
goes on until `is_done`. Time bases go from short records to long ones, so that no record is sampled too slowly for what
it shows: a fast signal cannot pose as a slow one. What counts as a crossing is known from the signal's whole extent, so
the noise on a flat piece is none.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.record.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup
from wavewright.quantities import show_quantity
from wavewright.running.instrument_settings import RequestedSetup

if TYPE_CHECKING:
    from wavewright.instruments.digitizer import Digitizer
    from wavewright.instruments.profile_grammar import Abilities
    from wavewright.waveform import Capture, Floats, Waveform

LEAST_USED, MOST_USED = 0.6, 0.9  # wanted part of the range between the lowest and the highest sample
AIM = 0.75  # where the instrument takes any range at all
WIDENING = 4.0  # after a clipped shot, where the instrument takes any range at all
SAME = 0.02  # relative difference of two ranges that are meant to be one
MOST_SHOTS = 10
WIDEST = 400.0  # V, where the profile does not say what there is
SHORTEST = 1e-6  # s
LONGEST = 20.0  # s: a bench that waits longer for a period has been set up wrongly
GROWTH = 16.0  # from one record to the next; far below the ratio of points to crossings that are needed
SEARCH_POINTS = 100_000
RECORD_POINTS = 500_000
OVERVIEW = 0.1  # s
LEAST_CROSSINGS = 4  # which bound three periods
ALIKE, MOSTLY = 0.25, 0.5  # more than half of the periods of a signal are within a quarter of their median
ENOUGH_PERIODS = 20  # to tell that they are not: of noise about 3 in 10 are
ALIKE_OF_FEW, MOST_OF_FEW = 0.05, 0.9  # and of fewer periods as many as this, which of noise are by chance
FEW_CODES = 12  # within which noise may seem to have two states
HYSTERESIS = 0.2  # of the extent of the signal
AT_ONCE = TriggerSetup(mode="auto", on="")


@dataclass(frozen=True, slots=True)
class Extent:
    """The part of a range that a signal takes.

    `lowest`, `highest` : V; `resolution` : what one code stands for, V; the converter cut it off below, above, or both.
    """

    lowest: float
    highest: float
    resolution: float = 0.0
    is_cut_below: bool = False
    is_cut_above: bool = False

    @property
    def is_clipped(self) -> bool:
        """Whether the converter cut it off at all."""
        return self.is_cut_below or self.is_cut_above

    @property
    def peak_to_peak(self) -> float:
        """From the lowest to the highest value, V."""
        return self.highest - self.lowest

    @property
    def middle(self) -> float:
        """Half way between them, V."""
        return (self.highest + self.lowest) / 2


def extent(wave: Waveform) -> Extent:
    """The extent of a record; cut off if a sample is on the lowest or the highest code of the converter."""
    lowest, highest = sorted(wave.value_of(code) for code in Survey(wave).extremes)
    if wave.code_range is None:
        return Extent(lowest, highest, abs(wave.gain))
    floor, ceiling = sorted(wave.value_of(code) for code in wave.code_range)
    return Extent(lowest, highest, abs(wave.gain), is_cut_below=lowest <= floor, is_cut_above=highest >= ceiling)


class RangeSearch:
    """The search for the range of one input, from the widest down; ranges that cut the signal off are not tried again.

    Parameters
    ----------
    first : the input as the recipe has it; its range is examined only if it is to `begin` there.
    ranges : what the instrument offers at its connector, V peak to peak; empty if it takes any.
    begin : begin with the range that `first` has, and not with the widest: a search before has found it already.
    """

    def __init__(self, first: InputSetup, *, ranges: Sequence[float] = (), begin: bool = False) -> None:
        self._offered = sorted(size * first.attenuation for size in ranges)
        self._too_small = 0.0
        self.setting = first if begin else replace(first, range=self._offered[-1] if self._offered else WIDEST)
        self.is_done = False
        self.remark = ""

    def see(self, seen: Extent, used: InputSetup) -> None:
        """Take note of a shot that was taken with `used`, the setting as read back, and choose the next."""
        size, offset = self._after_clipping(seen, used) if seen.is_clipped else self._fitting(seen)
        part = seen.peak_to_peak / used.range
        is_same = math.isclose(size, used.range, rel_tol=SAME)
        self.is_done = (
            is_same and math.isclose(offset, used.offset, abs_tol=SAME * used.range)
            if seen.is_clipped
            else is_same or LEAST_USED <= part <= MOST_USED
        )
        self.setting = used if self.is_done else replace(used, range=size, offset=offset)
        self.remark = _remark(part, used, is_clipped=seen.is_clipped)

    def _after_clipping(self, seen: Extent, used: InputSetup) -> tuple[float, float]:
        """The next wider range; where there is none, half a range towards the side that is cut off."""
        self._too_small = max(self._too_small, used.range)
        if not self._offered:
            return WIDENING * used.range, used.offset
        wider = next((size for size in self._offered if size > used.range * (1 + SAME)), None)
        if wider is not None:
            return wider, used.offset
        self._too_small = 0.0  # the widest range serves, if the signal can be brought into it
        return used.range, used.offset + used.range / 2 * (seen.is_cut_above - seen.is_cut_below)

    def _fitting(self, seen: Extent) -> tuple[float, float]:
        """The smallest range that has not cut the signal off and of which it takes at most the wanted part."""
        width = seen.peak_to_peak + seen.resolution
        beyond = self._too_small * (1 + SAME)
        if not self._offered:
            return max(width / AIM, beyond), seen.middle
        least = max(width / MOST_USED, beyond)
        return next((size for size in self._offered if size >= least), self._offered[-1]), seen.middle


class PeriodSearch:
    """The search for the period: take a record with `setting`, report it, until `is_done`.

    Parameters
    ----------
    seen : extent of the signal in a record that is long enough to show all of it.
    fastest : shortest time between two samples that the instrument offers, s; 0 if not known.
    most_points : what the instrument's memory holds; 0 if not known.
    """

    def __init__(self, seen: Extent, *, fastest: float = 0.0, most_points: int = 0) -> None:
        self._seen, self._level = seen, seen.middle
        self._hysteresis = HYSTERESIS * seen.peak_to_peak
        self._fastest = fastest
        self._points = min(SEARCH_POINTS, most_points or SEARCH_POINTS)
        self.setting = record_of(max(SHORTEST, 1000 * fastest), points=self._points, fastest=fastest)
        self.period: float | None = None
        self.is_noise = False
        self.is_done = not seen.peak_to_peak

    def see(self, wave: Waveform) -> None:
        """Take note of a record and choose the next one."""
        rises = Survey(wave).crossings(self._level, hysteresis=self._hysteresis).rising
        if rises.size >= LEAST_CROSSINGS:
            periods = np.diff(rises)
            period = float(np.median(periods))
            if _is_regular(periods, period, wave.interval) or not self._may_be_noise(wave):
                self.period, self.is_done = period, True
                return
            # of a small signal the noise alone crosses the level in a short record
            self.is_noise = self.is_done = periods.size >= ENOUGH_PERIODS and wave.duration >= OVERVIEW
            if self.is_done:
                return
        span = GROWTH * wave.duration
        self.is_done = span > LONGEST
        self.setting = record_of(span, points=self._points, fastest=self._fastest)

    def _may_be_noise(self, wave: Waveform) -> bool:
        """Whether the line has no two states, or moves by so few codes that noise may have some."""
        is_small = self._seen.peak_to_peak <= FEW_CODES * self._seen.resolution
        return is_small or not Survey(wave).levels.has_states


def _is_regular(periods: Floats, middle: float, interval: float) -> bool:
    """Whether a record repeats itself, by its periods and their median; of few of them nearly all must be alike."""
    if periods.size >= ENOUGH_PERIODS:
        return float(np.mean(np.abs(periods - middle) <= ALIKE * middle)) > MOSTLY
    return float(np.mean(np.abs(periods - middle) <= ALIKE_OF_FEW * middle + 2 * interval)) > MOST_OF_FEW


def record_of_cycles(period: float, cycles: int, *, fastest: float = 0.0, most_points: int = 0) -> TimebaseSetup:
    """The record that holds this many whole cycles wherever in a cycle the trigger is.

    Parameters
    ----------
    period, fastest : s.
    most_points : what the instrument's memory holds; 0 if not known.
    """
    points = min(RECORD_POINTS, most_points or RECORD_POINTS)
    span = (cycles + 1.25) * period  # one more for the edges at both ends, and a quarter in doubt
    wanted = record_of(span, points=points, fastest=fastest)
    return TimebaseSetup(points=wanted.points, interval=wanted.interval, before_trigger=period / 2)


def describe(period: float, setting: TimebaseSetup) -> str:
    """What auto time base chose, in words for the operator."""
    return (
        f"auto time base: period {show_quantity(period, 's')}, so {show_quantity(setting.span, 's')} "
        f"in {setting.points} samples"
    )


def describe_noise(seen: Extent, setting: TimebaseSetup) -> str:
    """What auto time base does where nothing repeats itself, in words for the operator."""
    return (
        f"auto time base: no period, as the line moves by {show_quantity(seen.peak_to_peak, 'V')} like noise, "
        f"so {show_quantity(setting.span, 's')} in {setting.points} samples"
    )


@dataclass(frozen=True, slots=True)
class FoundSettings:
    """The setup with everything automatic filled in, and what the operator should know about it.

    `trial` : a record with just these ranges and this time base, where the search ended with one.
    """

    setup: DigitizerSetup
    remarks: tuple[str, ...]
    trial: Capture | None = None


def find_settings(
    goal: RequestedSetup, digitizer: Digitizer, *, step: Callable[[str], None] = lambda text: None
) -> FoundSettings:
    """Fill in what a measurement leaves open. The signals must be there: the stimulus has been applied.

    The range is found first, with a record long enough to show all of the signal; then the period; then the range
    again, because the final record may show peaks that the first one stepped over; then the level in its middle.

    Raises
    ------
    NotMeasurable : a time base in cycles, and no period is found.
    Complaint, BadAnswer, NoAnswer, LinkLost
    """
    search = _SettingsSearch(goal, digitizer, step)
    return search.run()


def _remark(part: float, used: InputSetup, *, is_clipped: bool) -> str:
    size = show_quantity(used.range, "V")
    offset = show_quantity(used.offset, "V", resolution=used.range / 1000)
    if is_clipped:
        return f"auto range: {size} centred on {offset}, and the signal goes beyond it"
    return f"auto range: {size} centred on {offset}, {show_quantity(part, '1', resolution=0.01)} of the codes used"


def record_of(span: float, *, points: int, fastest: float) -> TimebaseSetup:
    """A record of that span, s, in at most that many samples, none nearer to each other than the instrument offers."""
    interval = max(span / points, fastest)
    return TimebaseSetup(points=max(2, math.ceil(span / interval - 1e-9)), interval=interval)


def fastest_interval(abilities: Abilities) -> float:
    """The shortest time between two samples that an instrument offers, s; 0 if not known."""
    return 1 / abilities.rate if abilities.rate else 0.0


def as_read_back(one: InputSetup, settings: Mapping[str, float | str | bool]) -> InputSetup:
    """An input with the range and the offset that the instrument says it uses, V at the probe tip."""
    head = f"input{one.input}."
    return replace(
        one,
        range=float(settings.get(f"{head}range", one.range)),
        offset=float(settings.get(f"{head}offset", one.offset)),
    )


class _SettingsSearch:
    """State of one search: the setup so far, and the extent of each channel."""

    def __init__(self, goal: RequestedSetup, digitizer: Digitizer, step: Callable[[str], None]) -> None:
        self._goal, self._digitizer, self._step = goal, digitizer, step
        self._abilities: Abilities = digitizer.profile.grammar.abilities
        self._most = int(self._abilities.points or 0)
        fastest = fastest_interval(self._abilities)
        overview = record_of(OVERVIEW, points=min(SEARCH_POINTS, self._most or SEARCH_POINTS), fastest=fastest)
        timebase = overview if goal.cycles else self._within_rate(goal.setup.timebase)
        self._setup = replace(goal.setup, timebase=timebase, trigger=AT_ONCE)
        self._seen: dict[str, Extent] = {}
        self._remarks: dict[str, str] = {}
        self._last: tuple[DigitizerSetup, Capture] | None = None

    def run(self) -> FoundSettings:
        self._ranges(begin=False)
        if self._goal.cycles and self._period(self._goal.cycles):
            self._ranges(begin=True)
        trigger = self._goal.setup.trigger
        if self._goal.auto_level:
            level = self._seen[trigger.on].middle
            trigger = replace(trigger, level=level)
            self._remarks["level"] = f"auto level: {show_quantity(level, 'V')} on {trigger.on}"
        is_last = self._last is not None and self._last[0] == self._setup
        trial = self._last[1] if self._last is not None and is_last else None
        return FoundSettings(replace(self._setup, trigger=trigger), tuple(self._remarks.values()), trial)

    def _ranges(self, *, begin: bool) -> None:
        """Find the automatic ranges; even with none, one shot shows the extent of each channel."""
        ranges = {
            name: RangeSearch(self._setup.inputs[name], ranges=self._abilities.ranges, begin=begin)
            for name in self._goal.auto_ranges
        }
        self._step("finding the range" if ranges else "looking at the signal")
        for _ in range(MOST_SHOTS if ranges else 1):
            self._use({name: search.setting for name, search in ranges.items()})
            capture = self._shot()
            self._seen = {name: extent(wave) for name, wave in capture.waveforms.items()}
            for name, search in ranges.items():
                search.see(self._seen[name], self._used(name))
            if all(search.is_done for search in ranges.values()):
                break
        self._use({name: search.setting for name, search in ranges.items()})
        self._remarks |= {name: f"{name}: {search.remark}" for name, search in ranges.items()}

    def _period(self, cycles: int) -> bool:
        """Set the time base; False where it stays the one that the ranges were found with."""
        on = self._goal.setup.trigger.on or next(iter(self._setup.inputs))
        fastest = fastest_interval(self._abilities)
        self._step(f"finding the period of {on}")
        search, overview = PeriodSearch(self._seen[on], fastest=fastest, most_points=self._most), self._setup.timebase
        while not search.is_done:
            self._setup = replace(self._setup, timebase=search.setting)
            search.see(self._shot()[on])
        if search.is_noise:
            self._setup = replace(self._setup, timebase=overview)
            self._remarks["timebase"] = describe_noise(self._seen[on], overview)
            return False
        if search.period is None:
            raise NotMeasurable(
                f"no period of `{on}` was found: it moves between {show_quantity(self._seen[on].lowest, 'V')} "
                f"and {show_quantity(self._seen[on].highest, 'V')}",
                expected=f"a periodic signal, for a record of {cycles} cycles",
                do="check that the signal is present, or give the time base a `span`",
            )
        timebase = record_of_cycles(search.period, cycles, fastest=fastest, most_points=self._most)
        self._setup = replace(self._setup, timebase=timebase)
        self._remarks["timebase"] = describe(search.period, timebase)
        return True

    def _shot(self) -> Capture:
        capture = self._digitizer.take_trial(self._setup)
        self._last = (self._setup, capture)
        return capture

    def _use(self, inputs: Mapping[str, InputSetup]) -> None:
        self._setup = replace(self._setup, inputs={**self._setup.inputs, **inputs})

    def _used(self, name: str) -> InputSetup:
        """The input as the instrument read it back."""
        return as_read_back(self._setup.inputs[name], self._digitizer.settings)

    def _within_rate(self, timebase: TimebaseSetup) -> TimebaseSetup:
        fastest = fastest_interval(self._abilities)
        return replace(timebase, interval=max(timebase.interval, fastest))
