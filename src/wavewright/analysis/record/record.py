"""Record: the samples of one waveform on its scale, and what can be found out without knowing any state level."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.reading import Doubt
from wavewright.analysis.record.crossings import Crossings
from wavewright.analysis.record.found_once import computed_once
from wavewright.analysis.record.shared_codes import SharedCodes

if TYPE_CHECKING:
    from wavewright.analysis.record.histogram import Histogram
    from wavewright.analysis.record.moments import Moments
    from wavewright.waveform import Codes, Floats, Waveform

FEW_CODES = 20
EPSILON = sys.float_info.epsilon
FINEST = float(1 << 30)  # parts of a code to which levels of a changed waveform are rounded


class Record:
    """One waveform and the facts about its samples, each computed once, on demand, and kept.

    Parameters
    ----------
    wave : the waveform.
    shared : what is known of its codes, where they have been examined already on another scale. Levels are then
        rounded to 2⁻³⁰ code, so that a level which moves with the scale is the same level whatever the rounding of
        floats did to it.
    """

    def __init__(self, wave: Waveform, shared: SharedCodes | None = None) -> None:
        self.wave = wave
        self.shared = SharedCodes(wave.codes, wave.label) if shared is None else shared
        self._is_changed = shared is not None
        self._crossings: dict[tuple[float, float], Crossings] = {}

    def on(self, wave: Waveform) -> Record:
        """The same codes on the scale and the time axis of another waveform; what is known of them is shared."""
        return Record(wave, self.shared)

    @property
    def gaps(self) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Indices of the samples that are not finite, ascending."""
        return self.shared.gaps

    @property
    def codes(self) -> Codes:
        """All finite samples, in order: the waveform's own codes where it has no others."""
        return self.shared.codes

    @property
    def histogram(self) -> Histogram:
        """How often each code occurs."""
        return self.shared.histogram

    @property
    def extremes(self) -> tuple[float, float]:
        """Lowest and highest code.

        Raises
        ------
        NotMeasurable : there is no valid sample.
        """
        return self.shared.extremes

    @property
    def moments(self) -> Moments:
        """Number, mean and variance of the codes."""
        return self.shared.moments

    @property
    def noise(self) -> float:
        """Standard deviation of the noise, in the waveform's unit."""
        return abs(self.wave.gain) * self.shared.noise

    @property
    def step(self) -> float:
        """One code in the waveform's unit; 0 for values that were never quantised."""
        return abs(self.wave.gain) if self.wave.codes.dtype.kind in "iu" else 0.0

    def moments_between(self, first: int, last: int) -> Moments:
        """Moments of the samples `first` up to, and without, `last` of `codes`."""
        return self.shared.moments_between(first, last)

    def crossings(self, level: float, hysteresis: float) -> Crossings:
        """Crossings of a level, both numbers in the waveform's unit."""
        key = (level, hysteresis)
        if key not in self._crossings:
            self._crossings[key] = self._find_crossings(level, hysteresis)
        return self._crossings[key]

    def draw_outlines(self, level: float) -> None:
        """Look once for a level that every transition passes, so that crossings of others are found much faster."""
        self.shared.draw_outlines(self._code_of(level))

    def _find_crossings(self, level: float, hysteresis: float) -> Crossings:
        lower, upper = sorted(self._code_of(level + sign * hysteresis / 2) for sign in (-1, 1))
        up, down = self.shared.crossings(lower, self._code_of(level), upper)
        rising, falling = (up, down) if self.wave.gain > 0 else (down, up)
        return Crossings(rising, falling, self.wave.interval, self.wave.start)

    def _code_of(self, value: float) -> float:
        """The code of a value; a whole number where it is one but for the rounding of the conversion."""
        wave = self.wave
        code = wave.code_of(value)
        if wave.codes.dtype.kind == "f":
            return code
        rounding = 4 * EPSILON * ((abs(value) + abs(wave.offset)) / abs(wave.gain) + abs(code))
        if abs(code - round(code)) <= rounding:
            return float(round(code))
        return round(code * FINEST) / FINEST if self._is_changed else code

    def finite_places(self, places: Floats) -> Floats:
        """The inverse of how places are reported: from the record to its finite samples."""
        return self.shared.finite_places(places)

    @computed_once
    def clipped(self) -> tuple[float, float]:
        """Share of the samples on, or beyond, the lowest and the highest code of the converter; 0 … 1."""
        return self.shared.clipped(self.wave.code_range)

    @property
    def spans_few_codes(self) -> bool:
        """Whether the samples cover fewer than 20 codes; values that were never quantised do not."""
        if not self.codes.size or self.wave.codes.dtype.kind not in "iu":
            return False
        lowest, highest = self.extremes
        return highest - lowest < FEW_CODES

    @computed_once
    def doubts(self) -> tuple[Doubt, ...]:
        """What speaks against any reading of this waveform: clipped, invalid samples, few codes."""
        found = {
            Doubt.CLIPPED: any(self.clipped),
            Doubt.INVALID_SAMPLES: self.gaps.size > 0,
            Doubt.FEW_CODES: self.spans_few_codes,
        }
        return tuple(doubt for doubt, holds in found.items() if holds)
