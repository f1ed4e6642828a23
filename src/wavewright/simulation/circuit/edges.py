"""When a two-level signal changes: edge moments of the source's signal, and voltages drawn from edges."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from wavewright.simulation.circuit.motion import Floats, Motion, polyline
from wavewright.simulation.circuit.surroundings import History, SourceSignal

_RINGING = 1e-3  # s; what a change has set in motion has come to rest by then


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Moments of changes, s, ascending; for each, True where it rises; and whether the signal is low before."""

    times: Floats
    rising: npt.NDArray[np.bool_]
    begins_low: bool

    def share_high(self, until: float) -> float:
        """The share of the time between the first rising edge and the last one before `until` that is spent high."""
        rises = np.flatnonzero(self.rising & (self.times < until))
        if len(rises) < 2:
            return float(not self.begins_low)
        part = slice(rises[0], rises[-1])
        lengths = np.diff(self.times[rises[0] : rises[-1] + 1])
        return float(lengths[self.rising[part]].sum() / lengths.sum())


def crossing_phases(signal: SourceSignal, threshold: float) -> tuple[Floats, Floats] | None:
    """Phases (0 … 1) of a period at which a signal rises above, and falls below, a threshold; None: never.

    As many rise as fall, in turn.
    """
    if not signal.is_on or not min(signal.low, signal.high) < threshold < max(signal.low, signal.high):
        return None
    share = (threshold - signal.low) / (signal.high - signal.low)
    if signal.function == "USER":
        return _crossings_of_samples(np.array(signal.samples), share)
    rise, fall = 0.0, 0.5
    if signal.function == "PULS":
        fall = signal.duty_factor
    elif signal.function == "SIN":
        lift = math.asin(2 * share - 1) / (2 * math.pi)
        rise, fall = lift % 1.0, 0.5 - lift
    elif signal.function == "TRI":
        rise, fall = share / 2, 1 - share / 2
    elif signal.function != "SQU":
        return None
    return np.array([rise]), np.array([fall])


def _crossings_of_samples(heights: Floats, share: float) -> tuple[Floats, Floats] | None:
    """Where straight lines between samples, the last joined to the first, cross a height; None: nowhere."""
    after = np.roll(heights, -1)
    is_above, is_above_next = heights > share, after > share
    changes = np.flatnonzero(is_above != is_above_next)
    if not changes.size:
        return None
    phases = (changes + (share - heights[changes]) / (after[changes] - heights[changes])) / heights.size
    return phases[~is_above[changes]], phases[is_above[changes]]


def signal_edges(history: History[SourceSignal], threshold: float, start: float, end: float) -> Edges:
    """Edges of the source's signal at a threshold between two moments, whatever was set in between."""
    times: list[Floats] = []
    rising: list[npt.NDArray[np.bool_]] = []
    states = history.since(start)
    first = states[0][1]
    begins_low = not is_high(first, threshold, start)
    was_high = not begins_low
    for index, (since, signal) in enumerate(states):
        begin = max(since, start)
        finish = min(states[index + 1][0], end) if index + 1 < len(states) else end
        now_high = is_high(signal, threshold, begin)
        if now_high != was_high:
            times.append(np.array([begin]))
            rising.append(np.array([now_high]))
        found, directions = _edges_of(signal, threshold, begin, finish)
        times.append(found)
        rising.append(directions)
        was_high = bool(directions[-1]) if len(directions) else now_high
        if finish >= end:
            break
    return Edges(np.concatenate(times), np.concatenate(rising), begins_low)


def quiet_until(history: History[SourceSignal], moment: float) -> float:
    """Until when nothing moves that follows the source's signal; `moment` itself while it may move."""
    states = history.since(moment)
    since, signal = states[0]
    if (signal.is_on and signal.function != "DC") or moment - since < _RINGING:
        return moment
    return states[1][0] if len(states) > 1 else math.inf


def is_high(signal: SourceSignal, threshold: float, moment: float) -> bool:
    """Whether a signal is above a threshold at a moment."""
    phases = crossing_phases(signal, threshold)
    if phases is None:
        return signal.is_on and signal.low > threshold
    rises, falls = phases
    phase = ((moment - signal.begins) * signal.frequency) % 1.0
    # the last change before this phase, or the last of the period where there is none
    last_rise = float(rises[rises <= phase].max(initial=rises.max() - 1.0))
    last_fall = float(falls[falls <= phase].max(initial=falls.max() - 1.0))
    return last_rise > last_fall


def _edges_of(signal: SourceSignal, threshold: float, start: float, end: float) -> tuple[Floats, npt.NDArray[np.bool_]]:
    phases = crossing_phases(signal, threshold)
    if phases is None or end <= start:
        return np.empty(0), np.empty(0, bool)
    first = math.floor((start - signal.begins) * signal.frequency) - 1
    last = math.ceil((end - signal.begins) * signal.frequency) + 1
    turns = np.arange(first, last)[:, None]
    rises, falls = ((turns + changes).ravel() for changes in phases)
    both = np.concatenate((rises, falls)) / signal.frequency + signal.begins
    rising = np.concatenate((np.ones(len(rises), bool), np.zeros(len(falls), bool)))
    order = np.argsort(both, kind="stable")
    both, rising = both[order], rising[order]
    inside = (both > start) & (both < end)
    return both[inside], rising[inside]


def drawn(edges: Edges, *, low: float, high: float, transition: float) -> Motion:
    """A two-level voltage with straight transitions of `transition` seconds, centred on the edges."""
    before = np.concatenate(([low if edges.begins_low else high], np.where(edges.rising, high, low)))
    times = np.stack((edges.times - transition / 2, edges.times + transition / 2), axis=1).ravel()
    volts = np.stack((before[:-1], before[1:]), axis=1).ravel()
    if not len(times):
        return Motion(float(before[0]))
    return polyline(np.maximum.accumulate(times), volts)


def charged(ideal: Motion, rising: float, falling: float) -> Motion:
    """The steps of an ideal voltage as a capacitance makes them: time constants in s, each for its direction.

    Exact where a step has settled before the next one comes.
    """
    slow, fast = complex(-1 / rising), complex(-1 / (falling if falling != rising else 0.999 * falling))
    modes = {
        slow: -np.where(ideal.steps > 0, ideal.steps, 0).astype(complex),
        fast: -np.where(ideal.steps < 0, ideal.steps, 0).astype(complex),
    }
    return replace(ideal, modes=modes)


def scattered(numbers: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Mix the bits of whole numbers (the finaliser of splitmix64, public domain †)."""
    with np.errstate(over="ignore"):
        mixed = numbers * np.uint64(0x9E3779B97F4A7C15)
        mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        return mixed ^ (mixed >> np.uint64(31))
