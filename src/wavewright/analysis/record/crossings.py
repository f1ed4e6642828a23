"""Crossings of a level: a comparator with hysteresis on raw codes, and straight lines between the samples.

A sample is low below the band `level − hysteresis/2 … level + hysteresis/2`, high above it, and neither inside. A
crossing is a low sample and a high sample, or the reverse, with none but samples inside the band between them: so a
noisy slow edge gives one crossing. It is placed midway between the first and the last instant at which the straight
lines between those samples touch the level; that is the same whether the record is read forwards or backwards, upright
or inverted. A waveform that touches a level without going beyond it does not cross it.

How: the record is compared with the level once, in blocks that stay in cache, and falls into segments above and below
it. Only the few samples at their ends are examined closely: a segment counts if its middle, or else any of its
samples, lies outside the band.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.record.blocks import FLAGS_BLOCK, spans
from wavewright.analysis.record.found_once import computed_once
from wavewright.analysis.record.side_bits import Indices, SideScan, Words, places_of

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.waveform import Codes, Floats

MOST_CHANGES = 1 << 17  # changes of side that are kept at a time; bounds the memory on a record that is all noise


@dataclass(frozen=True, eq=False)
class Crossings:
    """The crossings of one level; rising and falling ones alternate.

    Parameters
    ----------
    rising_places, falling_places : ascending, in samples from the first of the record, not rounded.
    interval, start : of the waveform, s.

    `rising`, `falling` and `either` are instants on the time axis of the waveform, for people. Far from its zero, as
    with seconds since 1970, an instant is only known to 0.24 us: durations are reckoned from `rising_since`,
    `falling_since` and `either_since`, which begin at the first sample.
    """

    rising_places: Floats
    falling_places: Floats
    interval: float = 1.0
    start: float = 0.0

    @computed_once
    def rising(self) -> Floats:
        """Times of the rising crossings, s, ascending."""
        return self.start + self.interval * self.rising_places

    @computed_once
    def falling(self) -> Floats:
        """Times of the falling crossings, s, ascending."""
        return self.start + self.interval * self.falling_places

    @computed_once
    def rising_since(self) -> Floats:
        """Rising crossings, s after the first sample of the record, ascending."""
        return self.interval * self.rising_places

    @computed_once
    def falling_since(self) -> Floats:
        """Falling crossings, s after the first sample of the record, ascending."""
        return self.interval * self.falling_places

    @computed_once
    def either_since(self) -> Floats:
        """All of them in order, s after the first sample of the record."""
        return self.interval * self.either_places

    @computed_once
    def either_places(self) -> Floats:
        """All of them in order, in samples."""
        both = (self.rising_places, self.falling_places)
        places = np.empty(both[0].size + both[1].size)
        first = 0 if both[1].size == 0 or (both[0].size and both[0][0] <= both[1][0]) else 1
        places[0::2], places[1::2] = both[first], both[1 - first]  # they alternate
        return places

    @property
    def either(self) -> Floats:
        """Times of all of them in order, s."""
        return self.start + self.interval * self.either_places


@dataclass(frozen=True, slots=True)
class Band:
    """A level and the hysteresis band around it, in codes; lower ≤ level ≤ upper."""

    lower: float
    level: float
    upper: float

    @classmethod
    def of(cls, lower: float, level: float, upper: float, dtype: np.dtype[np.generic]) -> Band:
        """The band in the precision of the codes: single-precision codes are compared with single-precision levels."""
        if dtype.kind == "f":
            lower, level, upper = (float(dtype.type(number)) for number in (lower, level, upper))
        return cls(lower, level, upper)

    def is_outside(self, codes: Codes) -> npt.NDArray[np.bool_]:
        """Which of some samples are outside the band, in the shape that they have."""
        lower, upper = self.lower, self.upper
        if codes.dtype.kind in "iu" and math.isfinite(lower) and math.isfinite(upper):
            return np.asarray((codes < math.ceil(lower)) | (codes > math.floor(upper)))
        values = codes.astype(np.float64)
        return (values < lower) | (values > upper)


def find_crossings(
    codes: Codes, band: Band, *, level_occurs: bool = True, locate: Callable[[Floats], Floats] | None = None
) -> tuple[Floats, Floats]:
    """Places of the upward and of the downward crossings, each ascending.

    Parameters
    ----------
    codes : shape (n,), all finite.
    level_occurs : False where it is known that no sample is exactly at the level: saves a comparison.
    locate : from places among these codes to places in the record that they were taken from.
    """
    comparator = _Comparator(codes, band, locate)
    pieces = [comparator.cross(*piece) for piece in _pieces(codes, band.level, level_occurs)]
    places = pieces[0][0] if len(pieces) == 1 else np.concatenate([np.empty(0), *(place for place, _ in pieces)])
    first_is_upward = next((bool(up[0]) for _, up in pieces if up.size), True)
    one, other = places[0::2].copy(), places[1::2].copy()  # upward and downward crossings alternate
    return (one, other) if first_is_upward else (other, one)


def changes_of_side(codes: Codes, level: float, *, most: int) -> Indices | None:
    """Samples after which the record goes from at or below a level to above it or back; None if more than `most`."""
    kept: list[Indices] = []
    amount = 0
    for changes, _, _ in _pieces(codes, level, level_occurs=False):
        kept.append(changes)
        amount += changes.size
        if amount > most:
            return None
    return np.concatenate(kept) if kept else np.empty(0, dtype=np.int64)


@dataclass(slots=True)
class _Comparator:
    """Goes through a record from left to right and remembers what a crossing is made of."""

    codes: Codes
    band: Band
    locate: Callable[[Floats], Floats] | None = None
    side: int = 0  # of the last segment that left the band: −1 below, 1 above, 0 none yet
    first_touch: float = math.nan  # of the level since then
    last_touch: float = math.nan

    def cross(self, changes: Indices, first: int, last: int) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Crossings completed between the samples `first` and `last` (exclusive): their places, and which go up.

        `changes` are the samples in there after which the side changes.
        """
        starts, ends = np.append(first, changes + 1), np.append(changes + 1, last)
        heights = self.codes[starts].astype(np.float64) - self.band.level
        sides = np.sign(heights)
        before = self.codes[changes].astype(np.float64) - self.band.level
        places = changes + before / (before - heights[1:])  # where the straight line to the next sample meets the level
        if self.locate is not None:
            places = self.locate(places)
        counted = np.flatnonzero(self._leaves_band(starts, ends, sides))
        if counted.size == sides.size and (sides[1:] != sides[:-1]).all():  # every change is a crossing
            found, upward = places, sides[1:] > 0
        else:
            turns = np.flatnonzero(sides[counted[1:]] != sides[counted[:-1]])
            found = (places[counted[turns]] + places[counted[turns + 1] - 1]) / 2
            upward = sides[counted[turns + 1]] > 0
        if counted.size and self.side and self.side != sides[counted[0]]:
            found = np.append(self._open(places, int(counted[0])), found)
            upward = np.append(self.side < 0, upward)
        self._remember(sides, places, counted)
        return found, upward

    def _open(self, places: Floats, segment: int) -> float:
        """Place of the crossing that began before this piece and ends at the start of a segment of it."""
        begin = places[0] if math.isnan(self.first_touch) else self.first_touch
        end = places[segment - 1] if segment else self.last_touch
        return float(begin + end) / 2

    def _remember(self, sides: Floats, places: Floats, counted: Indices) -> None:
        if counted.size:
            self.side = int(sides[counted[-1]])
            self.first_touch = self.last_touch = math.nan
        since = places[counted[-1] :] if counted.size else places
        if since.size:
            self.first_touch = float(since[0]) if math.isnan(self.first_touch) else self.first_touch
            self.last_touch = float(since[-1])

    def _leaves_band(self, starts: Indices, ends: Indices, sides: Floats) -> npt.NDArray[np.bool_]:
        """Which segments have a sample outside the band; none that is at the level has."""
        leaves = self.band.is_outside(self.codes[(starts + ends) >> 1])
        if leaves.all():
            return leaves
        unclear = np.flatnonzero(~leaves & (sides != 0) & (ends - starts > 1))
        if unclear.size:
            begin, end = int(starts[unclear[0]]), int(ends[unclear[-1]])
            marks = np.stack([starts[unclear], ends[unclear]], axis=1).ravel()[:-1] - begin
            part = self.codes[begin:end]
            for extreme in (np.maximum, np.minimum):
                leaves[unclear] |= self.band.is_outside(extreme.reduceat(part, marks)[::2])
        return leaves


def _pieces(codes: Codes, level: float, level_occurs: bool) -> Iterator[tuple[Indices, int, int]]:
    """The record in pieces that share their end samples: the changes of side in each, its first and last sample + 1."""
    scan = SideScan(codes, level, level_occurs=level_occurs, block=FLAGS_BLOCK)
    kept: list[tuple[Indices, Words]] = []
    first, amount = 0, 0
    for begin, end in spans(0, codes.size - 1, FLAGS_BLOCK):
        kept.append(scan.changed(begin, end))
        amount += int(np.bitwise_count(kept[-1][1]).sum())
        if amount > MOST_CHANGES or end == codes.size - 1:
            starts, words = (np.concatenate(parts) for parts in zip(*kept, strict=True))
            yield places_of(starts, words), first, end + 1
            kept, first, amount = [], end, 0
