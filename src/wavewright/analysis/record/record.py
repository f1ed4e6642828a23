"""Record: the samples of one waveform, and what can be found out about them without knowing any state level."""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np

from wavewright.analysis.reading import Doubt
from wavewright.analysis.record.blocks import CODES_BLOCK, blocks, spans
from wavewright.analysis.record.crossings import Band, Crossings, find_crossings
from wavewright.analysis.record.edge_index import Outline, outlines
from wavewright.analysis.record.histogram import Histogram, float_extremes, histogram_of
from wavewright.analysis.record.moments import Moments, moments_of, of_histogram
from wavewright.analysis.record.moments import difference as difference_of
from wavewright.analysis.record.noise import noise_code
from wavewright.errors import NotMeasurable
from wavewright.waveform import Codes, Floats, Waveform

FEW_CODES = 20
SHORT = 1 << 14  # samples; of a shorter record no outline is drawn


class Record:
    """One waveform and the facts about its samples, each computed once, on demand, and kept.

    Parameters
    ----------
    wave : the waveform. Not copied, unless it has samples that are not finite.
    """

    def __init__(self, wave: Waveform) -> None:
        self.wave = wave
        self._crossings: dict[tuple[float, float], Crossings] = {}
        self._outlines: tuple[Outline, ...] | None = None

    @cached_property
    def gaps(self) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Indices of the samples that are not finite, ascending."""
        codes = self.wave.codes
        if codes.dtype.kind != "f":
            return np.empty(0, dtype=np.int64)
        parts = [
            begin + np.flatnonzero(~np.isfinite(codes[begin:end])) for begin, end in spans(0, codes.size, CODES_BLOCK)
        ]
        return np.concatenate(parts) if parts else np.empty(0, dtype=np.int64)

    @cached_property
    def codes(self) -> Codes:
        """All finite samples, in order: the waveform's own codes where it has no others."""
        return np.delete(self.wave.codes, self.gaps) if self.gaps.size else self.wave.codes

    @cached_property
    def histogram(self) -> Histogram:
        """How often each code occurs."""
        return histogram_of(self.codes)

    @cached_property
    def extremes(self) -> tuple[float, float]:
        """Lowest and highest code.

        Raises
        ------
        NotMeasurable : there is no valid sample.
        """
        if not self.codes.size:
            raise NotMeasurable(
                f"`{self.wave.label}`: no valid sample among {len(self.wave)}",
                expected="at least one",
                do="check that the channel was on and the record was read",
            )
        if self.codes.dtype.kind == "f":
            return float_extremes(self.codes)
        if self.codes.dtype.itemsize <= 2:
            return self.histogram.extremes
        return float(self.codes.min()), float(self.codes.max())

    @cached_property
    def moments(self) -> Moments:
        """Number, mean and variance of the codes."""
        _ = self.extremes
        return moments_of(self.codes, self.histogram if self.codes.dtype.kind != "f" else None)

    @cached_property
    def noise(self) -> float:
        """Standard deviation of the noise, in the waveform's unit."""
        return abs(self.wave.gain) * noise_code(self.codes)

    @property
    def step(self) -> float:
        """One code in the waveform's unit; 0 for values that were never quantised."""
        return abs(self.wave.gain) if self.wave.codes.dtype.kind in "iu" else 0.0

    def moments_between(self, first: int, last: int) -> Moments:
        """Moments of the samples `first` up to, and without, `last` of `codes`.

        Of integers the smaller of the stretch and the rest is counted, and the rest follows from the whole.
        """
        stretch = self.codes[first:last]
        if self.codes.dtype.kind == "f" or not self.histogram.is_exact or stretch.size <= self.codes.size // 2:
            return moments_of(stretch)
        rest = difference_of(self.histogram, histogram_of(self.codes[:first]))
        return of_histogram(difference_of(rest, histogram_of(self.codes[last:])))

    def crossings(self, level: float, hysteresis: float) -> Crossings:
        """Crossings of a level, both numbers in the waveform's unit."""
        key = (level, hysteresis)
        if key not in self._crossings:
            self._crossings[key] = self._find_crossings(level, hysteresis)
        return self._crossings[key]

    def draw_outlines(self, level: float) -> None:
        """Look once for a level that every transition passes, so that crossings of others are found much faster."""
        if self._outlines is None:
            code = self._code_of(level)
            if self.codes.dtype.kind != "f":
                code = math.floor(code) + 0.5  # no sample is at it
            self._outlines = outlines(self.codes, code) if self.codes.size > SHORT and not self.gaps.size else ()

    def _find_crossings(self, level: float, hysteresis: float) -> Crossings:
        lower, upper = sorted(self._code_of(level + sign * hysteresis / 2) for sign in (-1, 1))
        band = Band.of(lower, self._code_of(level), upper, self.codes.dtype)
        occurs = self.codes.dtype.kind == "f" or not self.histogram.is_exact
        occurs = occurs or self.histogram.count_of(band.level) > 0
        outline = next((one for one in self._outlines or () if one.holds(band.level)), None)
        if outline is not None:
            up, down = outline.crossings(band, level_occurs=occurs)
        else:
            locate = self._original if self.gaps.size else None
            up, down = find_crossings(self.codes, band, level_occurs=occurs, locate=locate)
        rising, falling = (up, down) if self.wave.gain > 0 else (down, up)
        return Crossings(rising, falling, self.wave.interval, self.wave.start)

    def _code_of(self, value: float) -> float:
        """The code of a value; a whole number where it is one but for the rounding of the conversion."""
        wave = self.wave
        code = wave.code_of(value)
        if wave.codes.dtype.kind == "f":
            return code
        rounding = 4 * np.finfo(np.float64).eps * ((abs(value) + abs(wave.offset)) / abs(wave.gain) + abs(code))
        return float(round(code)) if abs(code - round(code)) <= rounding else code

    def _original(self, places: Floats) -> Floats:
        """From places among the finite samples to places in the record; a straight line goes across a gap."""
        before = np.floor(places)
        left, right = self._with_gaps(before), self._with_gaps(before + 1)
        return np.asarray(left + (places - before) * (right - left), dtype=np.float64)

    def _with_gaps(self, indices: Floats) -> Floats:
        skipped = self.gaps - np.arange(self.gaps.size)
        return indices + np.searchsorted(skipped, indices, side="right")

    def finite_places(self, places: Floats) -> Floats:
        """The inverse of how places are reported: from the record to its finite samples."""
        if not self.gaps.size:
            return places
        return np.asarray(places - np.searchsorted(self.gaps, places), dtype=np.float64)

    @cached_property
    def clipped(self) -> tuple[float, float]:
        """Share of the samples on, or beyond, the lowest and the highest code of the converter; 0 … 1."""
        limits = self.wave.code_range
        if limits is None or not self.codes.size:
            return 0.0, 0.0
        lowest, highest = self.extremes
        low = self._count(lowest, limits[0], below=True) if lowest <= limits[0] else 0
        high = self._count(highest, limits[1], below=False) if highest >= limits[1] else 0
        return low / self.codes.size, high / self.codes.size

    def _count(self, extreme: float, limit: float, *, below: bool) -> int:
        if extreme == limit and self.codes.dtype.kind != "f" and self.histogram.is_exact:
            return self.histogram.count_of(limit)
        return sum(int(np.count_nonzero(part <= limit if below else part >= limit)) for part in blocks(self.codes))

    @property
    def spans_few_codes(self) -> bool:
        """Whether the samples cover fewer than 20 codes; values that were never quantised do not."""
        if not self.codes.size or self.wave.codes.dtype.kind not in "iu":
            return False
        lowest, highest = self.extremes
        return highest - lowest < FEW_CODES

    @cached_property
    def doubts(self) -> tuple[Doubt, ...]:
        """What speaks against any reading of this waveform: clipped, invalid samples, few codes."""
        found = {
            Doubt.CLIPPED: any(self.clipped),
            Doubt.INVALID_SAMPLES: self.gaps.size > 0,
            Doubt.FEW_CODES: self.spans_few_codes,
        }
        return tuple(doubt for doubt, holds in found.items() if holds)
