"""Settling: how long after a transition the waveform is within a band around its final state for good."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.levels.level_uncertainty import level_uncertainty
from wavewright.analysis.levels.quantisation import share_of_step
from wavewright.analysis.levels.state_levels import BINS
from wavewright.analysis.parameters import ReferenceLevel, Slope
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import Sense
from wavewright.analysis.time.crossing_resolution import difference_resolution
from wavewright.analysis.time.edges import noise_doubts, state_doubts
from wavewright.analysis.transitions.last_entry import WANTED, SettlingBand, find_last_entries
from wavewright.analysis.transitions.rise_and_fall import whole_transitions
from wavewright.analysis.transitions.still_moving import mean_later_entry, with_later_entry
from wavewright.analysis.transitions.transitions import HIGH, LOW, Transitions, middle_level
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Floats

WIDEST, NARROWEST = (
    0.49,
    0.1,
)  # band that is tried at most, of the amplitude, and at least, of the band that is asked for
SOURCE = "IEEE 181-2011, term 'transition settling duration' †"


@metric("settling_time", reads=Reads.TRANSITIONS, unit="s", source=SOURCE, reads_levels=True)
def settling_time(
    survey: Survey,
    *,
    band: Annotated[float, "1", Sense(above=0.0, below=0.5)] = 0.02,
    slope: Slope = Slope.RISING,
    low: ReferenceLevel = LOW,
    high: ReferenceLevel = HIGH,
) -> Reading:
    """Settling time: from the middle of a transition to the last entry into a band around the state after it.

    Drawing
    -------
                   ╭╮        ┬
      high state ┈╱┈┈╲┈╭─╮──  band (to either side, of the amplitude)
                 ╱    ╰╯     ┴
      middle  ┈┈╱
               ╱├──────┤ settling time

    The last entry before the next transition counts; noise is averaged out, see `last_entry`. A transition whose
    waveform is outside the band at the end of the record, or stays inside for less than the duration of the transition,
    has not settled and is left out, with the doubt `not_settled`.

    Raises
    ------
    NotMeasurable : no whole transition of that slope, or none that settled.
    """
    if slope is Slope.EITHER:
        raise Misuse("`slope` is `either`", expected="rising or falling: each settles at its own state")
    if not 0 < band < 0.5:
        raise Misuse(f"`band` is {band:g}", expected="above 0 and below 50 % of the amplitude")
    taken = whole_transitions(survey, slope, low, high)
    turns = survey.crossings(middle_level(survey, low, high)).either_places
    found = _settled(survey, taken, slope, band, turns)
    settled = found.has_settled
    if not settled.any():
        raise NotMeasurable(
            f"`{survey.name}`: none of {taken.middles.size} {slope} transitions settles to {band:.3g} of the amplitude",
            expected="at least one that stays within the band",
            do="lengthen the record, or widen `band`",
        )
    noisy = (Doubt.NOISY,) if found.is_lost else noise_doubts(survey)
    doubts = (*state_doubts(survey), *noisy)
    middles = taken.middles[settled]
    spent, stayed = found.entries[settled] - middles, found.exits[settled] - found.entries[settled]
    later = survey.wave.interval * mean_later_entry(spent, stayed, 0.5 / band)
    resolution, of_state = (
        math.hypot(difference_resolution(survey, taken.middles), math.sqrt(3) * found.uncertainty),
        0.0,
    )
    if survey.origin is None:  # how well an instant is known is not asked of a scale that is only tried
        of_state = _of_state(survey, found, band, lambda tried: _settled(survey, taken, slope, tried, turns))
        resolution = math.hypot(resolution, of_state, later if math.isfinite(later) else 0.0)
    reading = Reading.of_occurrences(
        survey.wave.interval * spent,
        times=survey.wave.start + survey.wave.interval * middles,
        unit="s",
        doubts=doubts if settled.all() else (Doubt.NOT_SETTLED, *doubts),
        resolution=resolution,
    )
    return with_later_entry(reading, later, of_state) if settled.all() else reading


@dataclass(frozen=True, slots=True, eq=False)
class _Settled:
    """Which transitions settle, where each enters the band last, and where it leaves it again or its share ends.

    Parameters
    ----------
    has_settled, entries, exits : shape (n,), in samples. uncertainty : of the mean entry by noise, s, standard.
    is_lost : noise may decide it.
    """

    has_settled: np.ndarray[tuple[int], np.dtype[np.bool_]]
    entries: Floats
    exits: Floats
    uncertainty: float = 0.0
    is_lost: bool = False


def _settled(survey: Survey, taken: Transitions, slope: Slope, band: float, turns: Floats) -> _Settled:
    """Of crossings where there is hardly any noise, else of averages."""
    if WANTED * survey.noise > band * survey.levels.amplitude:
        return _among_noise(survey, taken, slope, band, turns)
    return _last_entries(survey, taken, *_passages(survey, slope, band), turns)


def _of_state(survey: Survey, found: _Settled, band: float, settled: Callable[[float], _Settled]) -> float:
    """Half-width of the interval that the entries can lie in by what the state and the band's ends are known to, s.

    Where the waveform creeps into the band, a small error of the state is a long time; where it rings, it may decide
    whether one more swing leaves the band. So the entries are found again with a band that is that much wider, and one
    that is as much narrower.
    """
    of_code = share_of_step(survey) * survey.record.step / 2
    # a waveform that creeps fills the bin that its state is found in
    of_bin = survey.levels.amplitude / BINS / 2 if survey.levels.has_states else 0.0
    unsure = math.hypot(math.sqrt(3) * level_uncertainty(survey), of_code, of_bin)
    part, moved = unsure / survey.levels.amplitude, []
    for other in (min(band + part, WIDEST), max(band - part, band * NARROWEST)):
        again = settled(other)
        entries = np.where(again.has_settled, again.entries, found.exits)
        moved.append(abs(float(np.mean((entries - found.entries)[found.has_settled]))))
    # among noise the two differ by chance as well, which the mean of both shows less of
    return survey.wave.interval * (sum(moved) / 2 if found.uncertainty else max(moved))


def _passages(survey: Survey, slope: Slope, band: float) -> tuple[Floats, Floats]:
    """Places at which the waveform enters the band around the state, and at which it leaves it; without hysteresis."""
    levels = survey.levels
    state = levels.high if slope is Slope.RISING else levels.low
    upper = survey.crossings(state + band * levels.amplitude, hysteresis=0.0)
    lower = survey.crossings(state - band * levels.amplitude, hysteresis=0.0)
    entries = np.concatenate([upper.falling_places, lower.rising_places])
    exits = np.concatenate([upper.rising_places, lower.falling_places])
    return np.sort(entries), np.sort(exits)


def _among_noise(survey: Survey, taken: Transitions, slope: Slope, band: float, turns: Floats) -> _Settled:
    """Of averages, in which noise moves no entry by much."""
    levels, record, gain = survey.levels, survey.record, abs(survey.wave.gain)
    state = levels.high if slope is Slope.RISING else levels.low
    ends = (state - band * levels.amplitude, state + band * levels.amplitude)
    low, high = sorted(survey.wave.code_of(end) for end in ends)
    bounds = np.append(turns, float(len(survey) - 1))
    until = bounds[np.searchsorted(turns, taken.middles, side="right")]
    begins, lasts = (record.finite_places(places) for places in (np.ceil(taken.middles), np.floor(until)))
    leaves = until != bounds[-1]
    inside = SettlingBand(low, high, survey.noise / gain)
    found = find_last_entries(record.codes, begins.astype(np.int64), lasts.astype(np.int64) + 1, inside, leaves=leaves)
    enters = found.place >= 0
    settled = enters & (~leaves | (found.end - found.place >= taken.ends - taken.starts))
    instants = np.where(enters, taken.middles + found.place - record.finite_places(taken.middles), taken.middles)
    spread, is_lost = found.uncertainty[enters], bool(found.is_noisy[enters].any())
    uncertainty = (
        survey.wave.interval * float(np.sqrt(np.mean(np.square(spread)) / spread.size)) if spread.size else 0.0
    )
    exits = np.where(enters, instants + found.end - found.place, instants)
    return _Settled(settled, instants, exits, uncertainty, is_lost)


def _last_entries(survey: Survey, taken: Transitions, entries: Floats, exits: Floats, turns: Floats) -> _Settled:
    """Of crossings of the band's ends."""
    bounds = np.append(turns, float(len(survey) - 1))
    until = bounds[np.searchsorted(turns, taken.middles, side="right")]
    if not entries.size:
        return _Settled(np.zeros(taken.middles.size, dtype=np.bool_), taken.middles, taken.middles)
    last = np.searchsorted(entries, until, side="right") - 1
    instants = entries[np.maximum(last, 0)]
    left = np.append(exits, np.inf)[np.searchsorted(exits, instants, side="right")]
    at_end = until == bounds[-1]
    stays = np.where(at_end, left > until, left - instants >= taken.ends - taken.starts)
    return _Settled((last >= 0) & (instants > taken.middles) & stays, instants, np.minimum(left, until))
