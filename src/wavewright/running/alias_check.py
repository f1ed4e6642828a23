"""A second look: whether a frequency that repeats itself is real, or that of a faster signal sampled too slowly.

Where frequencies above half the rate can reach the converter, short records at the highest rate of the instrument show
what is there. What was seen is kept with every shot, so that the doubt comes out the same when it is computed again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.doubts import Reads
from wavewright.analysis.front_end.front_end import Look, repeating_frequency, tone_frequency
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.tones import find_strongest
from wavewright.errors import NotMeasurable
from wavewright.instruments.setups import DigitizerSetup, TimebaseSetup, TriggerSetup
from wavewright.running.computed_aside import ComputedAside
from wavewright.running.input_facts import look_facts

if TYPE_CHECKING:
    from wavewright.instruments.digitizer import Digitizer
    from wavewright.recipe.measurement import Measurement
    from wavewright.waveform import Capture

AT_ONCE = TriggerSetup(mode="auto", on="")
POINTS = 50_000
GROWTH = 8.0  # from one record to the next
FEWEST_CYCLES = 8.0  # of the slowest signal that could be an alias, in the longest record
LEAST_CROSSINGS = 4  # which bound three periods
NOTICEABLE = 0.1  # of the amplitude of the tone in question; a weaker one is not what it comes from
OVERSAMPLING = 2.5  # of the bandwidth, where the profile states no rate
LONGEST = 10.0  # s; a look that takes longer than this is left to the operator
ASKED = frozenset({Reads.EDGES, Reads.TRANSITIONS, Reads.SPECTRUM})


def look_for_aliases(
    measurement: Measurement,
    setup: DigitizerSetup,
    settings: Mapping[str, float | str | bool],
    digitizer: Digitizer,
    *,
    trial: Capture | None = None,
    step: Callable[[str], None] = lambda text: None,
) -> dict[str, float] | None:
    """What is seen at the highest rate, where a frequency or a time between edges is to be read and might be an alias.

    The signals must be there: nothing is sent to the source or the supply. The digitizer is left with another trigger
    and time base, also where nothing was seen, unless this returns None.

    Parameters
    ----------
    settings : of the record as read back, and the bandwidth of each input.
    trial : a record of this set-up that was taken already.

    Returns
    -------
    By names for the settings of a capture, empty where nothing repeats itself; None where no record was taken, since
    nothing is in doubt or there is no higher rate.

    Raises
    ------
    Complaint, BadAnswer, NoAnswer, NoTrigger, LinkLost
    """
    interval = float(settings.get("timebase.interval", setup.timebase.interval))
    channels = tuple(_in_question(measurement, settings, interval))
    bandwidths = {name: float(settings[f"input{measurement.channels[name].input}.bandwidth"]) for name in channels}
    fastest = _fastest(digitizer, bandwidths.values())
    if not channels or not 0 < fastest <= 0.75 * interval or setup.timebase.span > LONGEST:
        return None
    step("looking for faster signals")
    trial = trial or _record(digitizer, setup, setup.timebase)
    searches = {name: _AliasSearch(Survey(trial[name])) for name in channels}
    searches = {name: search for name, search in searches.items() if search.is_needed}
    facts: dict[str, float] = {}
    span, used, is_done = POINTS * fastest, 0.0, not searches
    while not is_done:
        timebase = TimebaseSetup(points=POINTS, interval=max(fastest, span / POINTS))
        capture = _record(digitizer, setup, timebase)
        for name, search in searches.items():
            search.see(Survey(capture[name]))
            shown = capture[name].duration >= 2 * FEWEST_CYCLES * interval  # whatever is faster than half the rate
            search.is_done = search.is_done or (bandwidths[name] <= 0.5 / capture[name].interval and shown)
        used = used or capture[channels[0]].interval
        is_done = all(search.is_done for search in searches.values()) or span > trial[channels[0]].duration
        span *= GROWTH
    for name, search in searches.items():
        look = Look(used, search.edges, search.tone)
        facts |= look_facts(measurement.channels[name].input, look)
    return facts


class _AliasSearch:
    """What is looked for on one channel: the edges of the record in question, and its strongest tone."""

    def __init__(self, trial: Survey) -> None:
        self._trial = trial
        self._has_edges = repeating_frequency(trial) is not None
        # where there are edges, a record is taken whatever the tone: its spectrum is computed beside the wait for that
        self._tone_aside = ComputedAside(lambda: tone_frequency(trial))
        self.edges: float | None = None
        self.tone: float | None = None
        self.is_done = False

    @property
    def _tone(self) -> float | None:
        return self._tone_aside.result()

    @property
    def is_needed(self) -> bool:
        """Whether anything repeats itself in the record."""
        return self._has_edges or self._tone is not None

    def see(self, survey: Survey) -> None:
        """Take note of a record at a higher rate; of what is found, the fastest counts."""
        tone = self._tone  # nobody else looks at the trial from here on
        if self._has_edges and self.edges is None:
            self.edges = self._edges_in(survey)
        if tone is not None:
            self.tone = max(filter(None, (self.tone, self._tone_in(survey))), default=None)
        edges_seen = self.edges is not None or not self._has_edges
        self.is_done = edges_seen and (self.tone is not None or tone is None)

    def _edges_in(self, survey: Survey) -> float | None:
        levels = self._trial.levels
        level = (levels.low + levels.high) / 2
        rises = survey.crossings(level, hysteresis=self._trial.default_hysteresis(level)).rising
        return 1 / float(np.median(np.diff(rises))) if rises.size >= LEAST_CROSSINGS else None

    def _tone_in(self, survey: Survey) -> float | None:
        if tone_frequency(survey) is None:
            return None
        try:
            tone = find_strongest(survey)
            return tone.frequency if tone.amplitude >= NOTICEABLE * find_strongest(self._trial).amplitude else None
        except NotMeasurable:
            return None


def _in_question(
    measurement: Measurement, settings: Mapping[str, float | str | bool], interval: float
) -> Iterator[str]:
    """The channels whose frequencies or edges are read, and that let frequencies above half the rate pass."""
    read: set[str] = set()
    for wanted in measurement.compute.values():
        if not wanted.on_frames and METRICS.find(wanted.metric).reads & (ASKED | {Reads.ANYTHING}):
            read |= _captured(measurement, wanted.of)
    for name in sorted(read):
        bandwidth = settings.get(f"input{measurement.channels[name].input}.bandwidth", 0.0)
        if float(bandwidth) > 0.5 / interval:
            yield name


def _captured(measurement: Measurement, names: tuple[str, ...]) -> set[str]:
    """The captured channels that some, captured or derived, come from."""
    found: set[str] = set()
    for name in names:
        derived = measurement.derived.get(name)
        found |= {name} if derived is None else _captured(measurement, derived.of)
    return found


def _fastest(digitizer: Digitizer, bandwidths: Iterable[float]) -> float:
    """The shortest time between samples that there is use for, s: the profile's, or one that shows all that can come.

    0 where neither is known.
    """
    rate = digitizer.profile.grammar.abilities.rate
    widest = max(bandwidths, default=math.inf)
    return 1 / (rate or OVERSAMPLING * widest) if rate or math.isfinite(widest) else 0.0


def _record(digitizer: Digitizer, setup: DigitizerSetup, timebase: TimebaseSetup) -> Capture:
    return digitizer.take_trial(replace(setup, timebase=replace(timebase, before_trigger=0.0), trigger=AT_ONCE))
