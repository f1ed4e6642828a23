"""Shared codes: the codes of a record, and what can be found out about them whatever scale and time axis they have."""

from __future__ import annotations

import math

import numpy as np

from wavewright.analysis.record.blocks import CODES_BLOCK, blocks, spans
from wavewright.analysis.record.crossings import Band, find_crossings
from wavewright.analysis.record.edge_index import EdgeIndex, outlines
from wavewright.analysis.record.found_once import FoundOnce, computed_once
from wavewright.analysis.record.histogram import Histogram, float_extremes, histogram_of
from wavewright.analysis.record.moments import Moments, moments_of, moments_of_histogram, subtract_histograms
from wavewright.analysis.record.noise import noise_code
from wavewright.errors import NotMeasurable
from wavewright.waveform import Codes, Floats

SHORT = 1 << 14  # samples; of a shorter record no outline is drawn


class SharedCodes(FoundOnce):
    """The codes of one waveform and the facts about them, each computed once, on demand, and kept.

    Records of the same codes with another scale or time axis share one.

    Parameters
    ----------
    all_codes : of the waveform. Not copied, unless some are not finite.
    label : name of the waveform, for messages.
    """

    def __init__(self, all_codes: Codes, label: str) -> None:
        super().__init__()
        self.all_codes = all_codes
        self.label = label
        self._crossings: dict[Band, tuple[Floats, Floats]] = {}
        self._moments: dict[tuple[int, int], Moments] = {}
        self._outlines: tuple[EdgeIndex, ...] | None = None

    @computed_once
    def gaps(self) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Indices of the samples that are not finite, ascending."""
        codes = self.all_codes
        if codes.dtype.kind != "f":
            return np.empty(0, dtype=np.int64)
        parts = [
            begin + np.flatnonzero(~np.isfinite(codes[begin:end])) for begin, end in spans(0, codes.size, CODES_BLOCK)
        ]
        return np.concatenate(parts) if parts else np.empty(0, dtype=np.int64)

    @computed_once
    def codes(self) -> Codes:
        """All finite samples, in order: the waveform's own codes where it has no others."""
        return np.delete(self.all_codes, self.gaps) if self.gaps.size else self.all_codes

    @computed_once
    def histogram(self) -> Histogram:
        """How often each code occurs."""
        return histogram_of(self.codes)

    @computed_once
    def extremes(self) -> tuple[float, float]:
        """Lowest and highest code.

        Raises
        ------
        NotMeasurable : there is no valid sample.
        """
        if not self.codes.size:
            raise NotMeasurable(
                f"`{self.label}`: no valid sample among {self.all_codes.size}",
                expected="at least one",
                do="check that the channel was on and the record was read",
            )
        if self.codes.dtype.kind == "f":
            return float_extremes(self.codes)
        if self.codes.dtype.itemsize <= 2:
            return self.histogram.extremes
        return float(self.codes.min()), float(self.codes.max())

    @computed_once
    def moments(self) -> Moments:
        """Number, mean and variance of the codes."""
        _ = self.extremes
        return moments_of(self.codes, self.histogram if self.codes.dtype.kind != "f" else None)

    @computed_once
    def noise(self) -> float:
        """Standard deviation of the noise, in codes."""
        return noise_code(self.codes)

    def moments_between(self, first: int, last: int) -> Moments:
        """Moments of the samples `first` up to, and without, `last` of `codes`.

        Of integers the smaller of the segment and the rest is counted, and the rest follows from the whole.
        """
        key = (first, last)
        if key not in self._moments:
            self._moments[key] = self._moments_between(first, last)
        return self._moments[key]

    def _moments_between(self, first: int, last: int) -> Moments:
        segment = self.codes[first:last]
        if self.codes.dtype.kind == "f" or not self.histogram.is_exact or segment.size <= self.codes.size // 2:
            return moments_of(segment)
        rest = subtract_histograms(self.histogram, histogram_of(self.codes[:first]))
        return moments_of_histogram(subtract_histograms(rest, histogram_of(self.codes[last:])))

    def crossings(self, lower: float, level: float, upper: float) -> tuple[Floats, Floats]:
        """Places of the upward and of the downward crossings of a level with its band of hysteresis, in codes."""
        band = Band.of(lower, level, upper, self.codes.dtype)
        if band not in self._crossings:
            self._crossings[band] = self._find_crossings(band)
        return self._crossings[band]

    def _find_crossings(self, band: Band) -> tuple[Floats, Floats]:
        occurs = self.codes.dtype.kind == "f" or not self.histogram.is_exact
        occurs = occurs or self.histogram.count_of(band.level) > 0
        outline = next((one for one in self._outlines or () if one.holds(band.level)), None)
        if outline is not None:
            return outline.crossings(band, level_occurs=occurs)
        locate = self._original if self.gaps.size else None
        return find_crossings(self.codes, band, level_occurs=occurs, locate=locate)

    def draw_outlines(self, level: float) -> None:
        """Look once for a level, in codes, that every transition passes: crossings of others are found faster then."""
        if self._outlines is None:
            self._outlines = self._drawn(level) if self.codes.size > SHORT and not self.gaps.size else ()

    def _drawn(self, level: float) -> tuple[EdgeIndex, ...]:
        if self.codes.dtype.kind == "f":
            return outlines(self.codes, level)
        exact = self.histogram if self.histogram.is_exact else None
        return outlines(self.codes, math.floor(level) + 0.5, exact)  # no sample is at it

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

    def clipped(self, limits: tuple[float, float] | None) -> tuple[float, float]:
        """Share of the samples on, or beyond, the lowest and the highest code of the converter; 0 … 1."""
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
