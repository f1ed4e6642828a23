"""Survey: one waveform under examination. Everything found out about it is computed once, on demand, and kept."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from functools import cached_property
from typing import Any, TypeVar

from wavewright.analysis.crossings import Crossings, find_crossings
from wavewright.analysis.histogram import Histogram, histogram_of
from wavewright.analysis.levels import LevelMethod, StateLevels, mode_codes, require_two_codes
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Doubt
from wavewright.errors import NotMeasurable
from wavewright.waveform import Waveform

HYSTERESIS_OF_AMPLITUDE = 0.1

T = TypeVar("T")


class Survey:
    """One waveform and what has been found out about it; metrics take surveys, so that they share the passes.

    Parameters
    ----------
    wave : the waveform. Not copied; its codes are read when something is first asked for.
    """

    def __init__(self, wave: Waveform) -> None:
        self.wave = wave
        self._crossings: dict[tuple[float, float], Crossings] = {}
        self._kept: dict[Hashable, Any] = {}

    def __len__(self) -> int:
        return len(self.wave)

    @property
    def name(self) -> str:
        """Name of the channel, for messages."""
        return self.wave.name

    @property
    def unit(self) -> str:
        """Unit of the waveform's values."""
        return self.wave.unit

    @cached_property
    def histogram(self) -> Histogram:
        """How often each code occurs; samples that are not finite are left out."""
        return histogram_of(self.wave.codes)

    @cached_property
    def extremes(self) -> tuple[float, float]:
        """Lowest and highest code.

        Raises
        ------
        NotMeasurable : there is no valid sample.
        """
        if not self.histogram.codes.size:
            raise NotMeasurable(f"`{self.name}`: no valid sample among {len(self)}", expected="at least one")
        return self.histogram.extremes

    @cached_property
    def levels(self) -> StateLevels:
        """The two state levels, in the waveform's unit.

        Raises
        ------
        NotMeasurable : fewer than two different codes.
        """
        require_two_codes(self.histogram, self.name)
        low, high = sorted(self.wave.value_of(code) for code in mode_codes(self.histogram))
        return StateLevels(low, high, LevelMethod.MODE)

    def level(self, reference: ReferenceLevel) -> float:
        """A reference level in the waveform's unit.

        Raises
        ------
        NotMeasurable : it is a ratio, and there are no state levels.
        """
        if not reference.is_ratio:
            return reference.number
        return reference.value(self.levels.low, self.levels.high)

    def kept(self, key: Hashable, find: Callable[[], T]) -> T:
        """What `find` returns, called once for each key: how other files keep spectra, fits and the like here."""
        if key not in self._kept:
            self._kept[key] = find()
        found: T = self._kept[key]
        return found

    def crossings(self, level: float, *, hysteresis: float | None = None) -> Crossings:
        """Times at which a level is crossed.

        Parameters
        ----------
        level : in the waveform's unit.
        hysteresis : height of the band round the level that must be left on the other side, in the waveform's unit.
            None: 10 % of the amplitude, but no nearer to a state level than half way.
        """
        band = self._default_hysteresis(level) if hysteresis is None else hysteresis
        key = (level, band)
        if key not in self._crossings:
            self._crossings[key] = find_crossings(self.wave, level, band)
        return self._crossings[key]

    @cached_property
    def doubts(self) -> tuple[Doubt, ...]:
        """What speaks against any reading of this waveform: clipped, invalid samples, few codes."""
        found = []
        if self.wave.code_range and self.histogram.codes.size:
            lowest, highest = self.extremes
            if lowest <= self.wave.code_range[0] or highest >= self.wave.code_range[1]:
                found.append(Doubt.CLIPPED)
        if self.histogram.total < len(self):
            found.append(Doubt.INVALID_SAMPLES)
        if self.wave.codes.dtype.kind in "iu" and self.histogram.codes.size:
            lowest, highest = self.extremes
            if highest - lowest < 20:
                found.append(Doubt.FEW_CODES)
        return tuple(found)

    def _default_hysteresis(self, level: float) -> float:
        try:
            levels = self.levels
        except NotMeasurable:
            return 0.0
        nearest = min(abs(level - levels.low), abs(level - levels.high))
        return min(HYSTERESIS_OF_AMPLITUDE * levels.amplitude, nearest)
