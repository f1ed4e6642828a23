"""Masks: where a waveform must not go, as polygons of time and level or as a tolerance around a golden waveform."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from wavewright.analysis.record.blocks import spans
from wavewright.errors import Misuse
from wavewright.waveform import Floats, Waveform

if TYPE_CHECKING:
    import numpy.typing as npt

MOST_LISTED = 10_000  # violations kept one by one; their number is exact beyond it


@dataclass(frozen=True, slots=True)
class Violation:
    """An unbroken run of samples of one shot in a place that is forbidden.

    Parameters
    ----------
    shot : its number.
    start, end : time of the first and the last sample of the run, s.
    time, level : of its worst sample: the one deepest in the forbidden area.
    excess : how deep, in the waveform's unit: how far the level would have to move to be allowed at that time.
    """

    shot: int
    start: float
    end: float
    time: float
    level: float
    excess: float


class Mask(Protocol):
    """Says how deep each sample lies in what is forbidden."""

    def span(self, wave: Waveform) -> tuple[int, int]:
        """First sample of a waveform that is judged, and the one after the last."""

    def excess(self, times: Floats, levels: Floats) -> Floats:
        """How far each level would have to move to be allowed: 0 where it is; NaN levels are allowed."""

    def is_reached(self, wave: Waveform, *, by_range: bool) -> bool:
        """Whether any sample within the time of a record could lie in what is forbidden.

        Parameters
        ----------
        by_range : only levels within the range of the converter count, where that is known.
        """


@dataclass(frozen=True, slots=True)
class PolygonMask:
    """Areas that must stay empty.

    Parameters
    ----------
    polygons : each a sequence of at least three (time in s, level in the waveform's unit), joined by straight lines
        and closed. Where a polygon crosses itself, the even-odd rule says what is inside. Its border is allowed.
    """

    polygons: tuple[tuple[tuple[float, float], ...], ...]

    def __post_init__(self) -> None:
        for polygon in self.polygons:
            if len(polygon) < 3 or not np.isfinite(np.asarray(polygon, dtype=np.float64)).all():
                raise Misuse(f"a polygon of {len(polygon)} points", expected="three or more, all of them finite")

    def span(self, wave: Waveform) -> tuple[int, int]:
        """The samples between the earliest and the latest corner."""
        times = [time for polygon in self.polygons for time, _ in polygon]
        return _span_of(wave, min(times), max(times)) if times else (0, 0)

    def excess(self, times: Floats, levels: Floats) -> Floats:
        """Distance upwards or downwards to the border of the deepest polygon that each point is inside of."""
        deepest = np.zeros(times.size)
        for polygon in self.polygons:
            corners = np.asarray(polygon, dtype=np.float64)
            first, last = np.searchsorted(times, [corners[:, 0].min(), corners[:, 0].max()], side="left")
            last = min(last + 1, times.size)
            part = slice(int(first), int(last))
            deepest[part] = np.maximum(deepest[part], _depth(corners, times[part], levels[part]))
        return deepest

    def is_reached(self, wave: Waveform, *, by_range: bool) -> bool:
        """Whether an area is partly within the record."""
        low, high = _range(wave, by_range=by_range)
        return any(
            min(level for _, level in polygon) < high
            and max(level for _, level in polygon) > low
            and np.diff(_span_of(wave, polygon_times[0], polygon_times[-1]))[0] > 0
            for polygon in self.polygons
            for polygon_times in [sorted(time for time, _ in polygon)]
        )


def _depth(corners: Floats, times: Floats, levels: Floats) -> Floats:
    """How deep points lie inside one polygon, measured along the level axis; 0 outside and on the border."""
    below = np.zeros(times.size, dtype=np.int64)  # borders under each point
    to_lower, to_upper = np.full(times.size, np.inf), np.full(times.size, np.inf)
    for (t0, y0), (t1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if t0 == t1:
            continue  # an upright border bounds nothing above or below
        (left, right) = (t0, t1) if t0 < t1 else (t1, t0)
        crosses = (times >= left) & (times < right)  # half open, so that a corner counts once
        border = y0 + (times - t0) / (t1 - t0) * (y1 - y0)
        above = levels - border
        below += crosses & (above > 0)
        to_lower = np.where(crosses & (above >= 0), np.minimum(to_lower, above), to_lower)
        to_upper = np.where(crosses & (above <= 0), np.minimum(to_upper, -above), to_upper)
    depth = np.minimum(to_lower, to_upper)
    return np.where((below % 2 == 1) & np.isfinite(depth), depth, 0.0)


class ToleranceBand:
    """A band around a golden waveform: nowhere further off than a level tolerance, once moved by a time tolerance.

    The upper edge at a time t is the highest value of the golden waveform between t − `time` and t + `time`, plus
    `level`; the lower edge likewise. Between samples the golden waveform goes in straight lines. Only the time that it
    covers is judged.

    Parameters
    ----------
    time : s, 0 or more.
    level : in the golden waveform's unit, 0 or more.
    """

    def __init__(self, golden: Waveform, *, time: float, level: float) -> None:
        if len(golden) < 2 or not (0 <= time < math.inf and 0 <= level < math.inf):
            raise Misuse(
                f"a band of {time:g} s and {level:g} {golden.unit} around {len(golden)} samples",
                expected="finite tolerances of 0 or more, around at least 2 samples",
            )
        self.golden = golden
        values = golden.values()
        if np.isnan(values).any():
            raise Misuse(f"the golden waveform `{golden.name}` has invalid samples", expected="none")
        self._times = golden.start + golden.interval * np.arange(len(golden))
        self.upper = self._edge(values, time, 1.0) + level
        self.lower = self._edge(values, time, -1.0) - level

    def _edge(self, values: Floats, time: float, sign: float) -> Floats:
        from scipy.ndimage import maximum_filter1d

        reach = math.floor(time / self.golden.interval + 1e-9)
        signed = sign * values
        highest: Floats = maximum_filter1d(signed, 2 * reach + 1, mode="nearest")
        for moved in (-time, time):  # the ends of the window lie between samples
            highest = np.maximum(highest, np.interp(self._times + moved, self._times, signed))
        return sign * highest

    def span(self, wave: Waveform) -> tuple[int, int]:
        """The samples within the time of the golden waveform."""
        return _span_of(wave, float(self._times[0]), float(self._times[-1]))

    def excess(self, times: Floats, levels: Floats) -> Floats:
        """How far each level lies above the upper or below the lower edge."""
        over = levels - np.interp(times, self._times, self.upper)
        under = np.interp(times, self._times, self.lower) - levels
        beyond: Floats = np.nan_to_num(np.maximum(np.maximum(over, under), 0.0), nan=0.0, posinf=np.inf)
        rounding = 8 * np.finfo(np.float64).eps * np.abs(self.upper).max()
        return np.where(beyond > rounding, beyond, 0.0)

    def is_reached(self, wave: Waveform, *, by_range: bool) -> bool:
        """Whether an edge of the band is within the record."""
        first, last = self.span(wave)
        if last <= first:
            return False
        low, high = _range(wave, by_range=by_range)
        shared = slice(*np.searchsorted(self._times, [wave.time_of(first), wave.time_of(last - 1)]))
        upper, lower = (edge[shared] if edge[shared].size else edge for edge in (self.upper, self.lower))
        return bool((upper < high).any() or (lower > low).any())


class MaskTest:
    """Shots against a mask: how many go where they must not, and when."""

    def __init__(self, mask: Mask) -> None:
        self.mask = mask
        self.shots = 0
        self.samples = 0  # that were judged
        self.bad_samples = 0
        self.bad_shots: list[int] = []
        self.count = 0  # of violations, also beyond those that are listed
        self.is_idle = True  # until a record could have violated it
        self._listed: list[Violation] = []

    @property
    def violations(self) -> tuple[Violation, ...]:
        """The violations in the order in which they were found, 10 000 at most."""
        return tuple(self._listed)

    def add(self, shot: int, wave: Waveform, *, by_range: bool = True) -> tuple[Violation, ...]:
        """Judge one shot; its violations.

        Parameters
        ----------
        by_range : as in `Mask.is_reached`, for `is_idle`.
        """
        self.is_idle = self.is_idle and not self.mask.is_reached(wave, by_range=by_range)
        first, last = self.mask.span(wave)
        self.shots += 1
        self.samples += last - first
        runs: list[Violation] = []
        for begin, end in spans(first, last):
            times = wave.start + wave.interval * np.arange(begin, end, dtype=np.float64)
            excess = self.mask.excess(times, wave.values(begin, end))
            self.bad_samples += int(np.count_nonzero(excess))
            for found in _runs(shot, wave, begin, times, excess):
                joins = bool(runs) and found.start - runs[-1].end < 1.5 * wave.interval
                if joins:
                    runs[-1] = _joined(runs[-1], found)
                else:
                    runs.append(found)
        self.count += len(runs)
        if runs:
            self.bad_shots.append(shot)
        self._listed.extend(runs[: MOST_LISTED - len(self._listed)])
        return tuple(runs)


def _runs(shot: int, wave: Waveform, first: int, times: Floats, excess: Floats) -> Sequence[Violation]:
    """The unbroken runs of samples with excess in one block."""
    is_bad: npt.NDArray[np.bool_] = np.concatenate([[False], excess > 0, [False]])
    edges = np.flatnonzero(is_bad[1:] != is_bad[:-1])
    found = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        worst = int(begin + excess[begin:end].argmax())
        found.append(
            Violation(
                shot=shot,
                start=float(times[begin]),
                end=float(times[end - 1]),
                time=float(times[worst]),
                level=wave.value_of(wave.codes[first + worst]),
                excess=float(excess[worst]),
            )
        )
    return found


def _joined(one: Violation, next_one: Violation) -> Violation:
    """Two runs that only the border between two blocks parted."""
    worst = one if one.excess >= next_one.excess else next_one
    return Violation(one.shot, one.start, next_one.end, worst.time, worst.level, worst.excess)


def _range(wave: Waveform, *, by_range: bool) -> tuple[float, float]:
    """The levels that the converter can show; all, where that is not known or does not count."""
    if wave.code_range is None or not by_range:
        return -math.inf, math.inf
    low, high = sorted(wave.value_of(code) for code in wave.code_range)
    return low, high


def _span_of(wave: Waveform, first_time: float, last_time: float) -> tuple[int, int]:
    first = math.ceil((first_time - wave.start) / wave.interval - 1e-6)
    last = math.floor((last_time - wave.start) / wave.interval + 1e-6) + 1
    first = min(max(first, 0), len(wave))
    return first, min(max(last, first), len(wave))
