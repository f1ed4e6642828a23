"""Settling: how long after a transition the waveform is within a band around its final state for good."""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.parameters import ReferenceLevel, Slope
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import Sense
from wavewright.analysis.time.crossing_resolution import difference_resolution
from wavewright.analysis.time.edges import noise_doubts, state_doubts
from wavewright.analysis.transitions.last_entry import WANTED, SettlingBand, find_last_entries
from wavewright.analysis.transitions.rise_and_fall import whole_transitions
from wavewright.analysis.transitions.transitions import HIGH, LOW, Transitions, middle_level
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Floats

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
    entries, exits = _passages(survey, slope, band)
    turns = survey.crossings(middle_level(survey, low, high)).either_places
    settled, instants = _last_entries(survey, taken, entries, exits, turns)
    resolution, is_lost = difference_resolution(survey, taken.middles), False
    if WANTED * survey.noise > band * survey.levels.amplitude:
        settled, instants, uncertainty, is_lost = _among_noise(survey, taken, slope, band, turns)
        resolution = math.hypot(resolution, math.sqrt(3) * uncertainty)
    if not settled.any():
        raise NotMeasurable(
            f"`{survey.name}`: none of {taken.middles.size} {slope} transitions settles to {band:.3g} of the amplitude",
            expected="at least one that stays within the band",
            do="lengthen the record, or widen `band`",
        )
    noisy = (Doubt.NOISY,) if is_lost else noise_doubts(survey)
    doubts = (*state_doubts(survey), *noisy)
    middles = taken.middles[settled]
    return Reading.of_occurrences(
        survey.wave.interval * (instants[settled] - middles),
        times=survey.wave.start + survey.wave.interval * middles,
        unit="s",
        doubts=doubts if settled.all() else (Doubt.NOT_SETTLED, *doubts),
        resolution=resolution,
    )


def _passages(survey: Survey, slope: Slope, band: float) -> tuple[Floats, Floats]:
    """Places at which the waveform enters the band around the state, and at which it leaves it; without hysteresis."""
    levels = survey.levels
    state = levels.high if slope is Slope.RISING else levels.low
    upper = survey.crossings(state + band * levels.amplitude, hysteresis=0.0)
    lower = survey.crossings(state - band * levels.amplitude, hysteresis=0.0)
    entries = np.concatenate([upper.falling_places, lower.rising_places])
    exits = np.concatenate([upper.rising_places, lower.falling_places])
    return np.sort(entries), np.sort(exits)


def _among_noise(
    survey: Survey, taken: Transitions, slope: Slope, band: float, turns: Floats
) -> tuple[np.ndarray[tuple[int], np.dtype[np.bool_]], Floats, float, bool]:
    """Which transitions settle and where, of averages; how well that is known, s, and whether noise may decide it."""
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
    return settled, instants, uncertainty, is_lost


def _last_entries(
    survey: Survey, taken: Transitions, entries: Floats, exits: Floats, turns: Floats
) -> tuple[np.ndarray[tuple[int], np.dtype[np.bool_]], Floats]:
    """Which transitions settle, and where each enters the band last."""
    bounds = np.append(turns, float(len(survey) - 1))
    until = bounds[np.searchsorted(turns, taken.middles, side="right")]
    if not entries.size:
        return np.zeros(taken.middles.size, dtype=np.bool_), taken.middles
    last = np.searchsorted(entries, until, side="right") - 1
    instants = entries[np.maximum(last, 0)]
    left = np.append(exits, np.inf)[np.searchsorted(exits, instants, side="right")]
    at_end = until == bounds[-1]
    stays = np.where(at_end, left > until, left - instants >= taken.ends - taken.starts)
    return (last >= 0) & (instants > taken.middles) & stays, instants
