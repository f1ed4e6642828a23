"""Auto time base: finds the period of a signal, and the record that holds a number of its cycles.

From short records to long ones, so that no record is sampled too slowly for what it shows: a fast signal cannot pose as
a slow one. What counts as a crossing is known from the signal's whole extent, so the noise on a flat piece is none.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from wavewright.analysis.record.survey import Survey
from wavewright.instruments.setups import TimebaseSetup
from wavewright.quantities import show_quantity
from wavewright.running.auto_range import Extent
from wavewright.waveform import Waveform

SHORTEST = 1e-6  # s
LONGEST = 20.0  # s: a bench that waits longer for a period has been set up wrongly
GROWTH = 8.0  # from one record to the next; below the ratio of points to crossings that are needed
SEARCH_POINTS = 50_000
RECORD_POINTS = 500_000
OVERVIEW = TimebaseSetup(points=SEARCH_POINTS, interval=0.1 / SEARCH_POINTS)
LEAST_CROSSINGS = 4  # which bound three periods
HYSTERESIS = 0.2  # of the extent of the signal


class PeriodSearch:
    """The search for the period: take a record with `setting`, tell what it was, until `is_done`.

    Parameters
    ----------
    seen : extent of the signal in a record that is long enough to show all of it.
    fastest : shortest time between two samples that the instrument offers, s; 0 if not known.
    """

    def __init__(self, seen: Extent, *, fastest: float = 0.0) -> None:
        self._level = seen.middle
        self._hysteresis = HYSTERESIS * seen.peak_to_peak
        self._fastest = fastest
        self.setting = _record(max(SHORTEST, 1000 * fastest), points=SEARCH_POINTS, fastest=fastest)
        self.period: float | None = None
        self.is_done = not seen.peak_to_peak

    def see(self, wave: Waveform) -> None:
        """Take note of a record and choose the next one."""
        rises = Survey(wave).crossings(self._level, hysteresis=self._hysteresis).rising
        if rises.size >= LEAST_CROSSINGS:
            self.period = float(np.median(np.diff(rises)))
            self.is_done = True
            return
        span = GROWTH * wave.duration
        self.is_done = span > LONGEST
        self.setting = _record(span, points=SEARCH_POINTS, fastest=self._fastest)


def record_of_cycles(period: float, cycles: int, *, fastest: float = 0.0, most_points: int = 0) -> TimebaseSetup:
    """The record that holds so many whole cycles wherever in a cycle the trigger stands.

    Parameters
    ----------
    period, fastest : s.
    most_points : what the instrument's memory holds; 0 if not known.
    """
    points = min(RECORD_POINTS, most_points or RECORD_POINTS)
    span = (cycles + 1.25) * period  # one more for the edges at both ends, and a quarter in doubt
    wanted = _record(span, points=points, fastest=fastest)
    return TimebaseSetup(points=wanted.points, interval=wanted.interval, before_trigger=period / 2)


def describe(period: float, setting: TimebaseSetup) -> str:
    """What auto time base chose, in words for the operator."""
    return (
        f"auto time base: period {show_quantity(period, 's')}, so {show_quantity(setting.span, 's')} "
        f"in {setting.points} samples"
    )


def offered_intervals(rates: Sequence[float]) -> float:
    """The shortest time between samples among the rates that a profile lists, s; 0 where it lists none."""
    return 1 / max(rates) if rates else 0.0


def _record(span: float, *, points: int, fastest: float) -> TimebaseSetup:
    interval = max(span / points, fastest)
    return TimebaseSetup(points=max(2, math.ceil(span / interval - 1e-9)), interval=interval)
