"""Survey: one waveform under examination. Everything found out about it is computed once, on demand, and kept."""

from __future__ import annotations

import weakref
from dataclasses import replace
from typing import TYPE_CHECKING

from wavewright.analysis.levels.state_levels import (
    LevelChoice,
    LevelMethod,
    StateLevels,
    check_choice,
    level_codes,
    require_two_codes,
)
from wavewright.analysis.record.found_once import FoundOnce, computed_once
from wavewright.analysis.record.histogram import Histogram, counted_one_by_one
from wavewright.analysis.record.noise import state_scatter
from wavewright.analysis.record.record import Record
from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.analysis.parameters import ReferenceLevel
    from wavewright.analysis.reading import Doubt
    from wavewright.analysis.record.crossings import Crossings
    from wavewright.waveform import Waveform

HYSTERESIS_OF_AMPLITUDE = 0.1
HYSTERESIS_OF_NOISE = 6.0


class Survey(FoundOnce):
    """One waveform and what has been found out about it; metrics take surveys, so that they share the passes.

    Parameters
    ----------
    wave : the waveform. Not copied; its codes are read when something is first asked for.
    choice : how the state levels are to be found.
    """

    def __init__(self, wave: Waveform, choice: LevelChoice = LevelChoice()) -> None:
        super().__init__()
        self.wave = wave
        self.choice = choice
        self.record = Record(wave)
        self._origin: weakref.ref[Survey] | None = None

    def at_levels(self, choice: LevelChoice) -> Survey:
        """The same waveform with other state levels; what is known of its samples is shared."""
        if choice == self.choice:
            return self
        return self.once(("levels", choice), lambda: self._with_levels(choice))

    def _with_levels(self, choice: LevelChoice) -> Survey:
        check_choice(choice)
        other = Survey(self.wave, choice)
        other.record, other._origin = self.record, self._origin
        return other

    def moved(self, origin: float) -> Survey:
        """The same waveform on a time axis that has its zero at `origin`; what is known of its samples is shared."""
        if origin == 0.0:
            return self
        return self.once(("moved", origin), lambda: self._moved(origin))

    def _moved(self, origin: float) -> Survey:
        other = Survey(replace(self.wave, start=self.wave.start - origin), self.choice)
        other.record = self.record
        return other

    def changed(self, wave: Waveform) -> Survey:
        """The same codes on another scale or time axis; what is known of the codes is shared."""
        other = Survey(wave, self.choice)
        other.record, other._origin = self.record.on(wave), weakref.ref(self)
        return other

    @property
    def origin(self) -> Survey | None:
        """That of the same codes on another scale or time axis, where this was made of one.

        It keeps what was made of it. A reference back would keep the record, until the garbage is collected: so whoever
        works with this one holds that one too.
        """
        if self._origin is None:
            return None
        found = self._origin()
        assert found is not None, "nobody holds the survey that this one was made of"
        return found

    @property
    def as_captured(self) -> Survey:
        """The survey that this was made of by changing the scale or the time axis, at the same choice of levels."""
        return self if self.origin is None else self.origin.as_captured.at_levels(self.choice)

    def __len__(self) -> int:
        return len(self.wave)

    @property
    def name(self) -> str:
        """Name of the channel, for messages; `waveform` where it has none."""
        return self.wave.label

    @property
    def unit(self) -> str:
        """Unit of the waveform's values."""
        return self.wave.unit

    @property
    def histogram(self) -> Histogram:
        """How often each code occurs; samples that are not finite are left out."""
        return self.record.histogram

    @property
    def extremes(self) -> tuple[float, float]:
        """Lowest and highest code.

        Raises
        ------
        NotMeasurable : there is no valid sample.
        """
        return self.record.extremes

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """What the samples themselves say against a reading of this waveform: clipped, invalid samples, few codes."""
        return self.record.doubts

    @computed_once
    def levels(self) -> StateLevels:
        """The two state levels, in the waveform's unit.

        Raises
        ------
        NotMeasurable : fewer than two different codes, or the levels found are not one above the other.
        """
        low, high, method = self.choice.low, self.choice.high, self.choice.method
        if low is not None and high is not None:
            return StateLevels(low, high, LevelMethod.DECLARED, explanation="both states: declared")
        _ = self.extremes
        require_two_codes(self.histogram, self.name, self.unit)
        names = ("low", "high") if self.wave.gain > 0 else ("high", "low")
        *codes, has_states, explanation = self.record.shared.once(
            ("level codes", method, names), lambda: self._level_codes(method, names)
        )
        found = sorted(self.wave.value_of(code) for code in codes)
        low, high = found[0] if low is None else low, found[1] if high is None else high
        if not low < high:
            raise NotMeasurable(
                f"state levels of `{self.name}`: low {low:g} {self.unit}, high {high:g} {self.unit}",
                expected="the low one below the high one",
                do="declare both with `low_state` and `high_state`, or choose another of the `levels`",
            )
        return StateLevels(low, high, method, has_states, explanation)

    def _level_codes(self, method: LevelMethod, names: tuple[str, str]) -> tuple[float, float, bool, str]:
        # the shortest half is decided by the last sample at either end: bins are too wide for it
        histogram = counted_one_by_one(self.record.codes) if method is LevelMethod.SHORTH else self.histogram
        return level_codes(histogram, method, names)

    @computed_once
    def noise(self) -> float:
        """Standard deviation of the noise, in the waveform's unit: from what neighbouring samples differ by.

        On a waveform of few samples per period that is too much; where it has states, what the samples scatter about
        these by is an upper bound.
        """
        if self.record.noise == 0.0 or self.histogram.codes.size < 2 or not self.levels.has_states:
            return self.record.noise
        low, high = sorted(self.wave.code_of(level) for level in (self.levels.low, self.levels.high))
        return min(self.record.noise, abs(self.wave.gain) * state_scatter(self.histogram, low, high))

    def level(self, reference: ReferenceLevel) -> float:
        """A reference level in the waveform's unit.

        Raises
        ------
        NotMeasurable : it is a ratio, and there are no state levels.
        """
        if not reference.is_ratio:
            return reference.number
        return reference.value(self.levels.low, self.levels.high)

    def band(self, hysteresis: ReferenceLevel) -> float:
        """Height of a band around a level, in the waveform's unit; NotMeasurable as `level`."""
        return hysteresis.number * (self.levels.amplitude if hysteresis.is_ratio else 1.0)

    def crossings(self, level: float, *, hysteresis: float | None = None) -> Crossings:
        """Crossings of a level; none in a record without two different codes.

        Parameters
        ----------
        level : in the waveform's unit.
        hysteresis : height of the band around the level that must be left on the other side, in the waveform's unit.
            None: 10 % of the amplitude or 6 standard deviations of the noise, whichever is more, but no more than the
            distance to the nearer state level, so that the band never reaches further than half way to a state.
        """
        return self.once(("crossings", level, hysteresis), lambda: self._find_crossings(level, hysteresis))

    def _find_crossings(self, level: float, hysteresis: float | None) -> Crossings:
        band = self.default_hysteresis(level) if hysteresis is None else hysteresis
        if self.histogram.codes.size > 1:
            lowest, highest = (self.wave.value_of(code) for code in self.extremes)
            self.record.draw_outlines(self._middle(default=(lowest + highest) / 2))
        return self.record.crossings(level, band)

    def _middle(self, *, default: float) -> float:
        try:
            return (self.levels.low + self.levels.high) / 2
        except NotMeasurable:
            return default

    def default_hysteresis(self, level: float) -> float:
        """Height of the band around a level that is used where none is asked for, in the waveform's unit."""
        try:
            levels = self.levels
        except NotMeasurable:
            return 0.0
        nearest = min(abs(level - levels.low), abs(level - levels.high))
        return min(max(HYSTERESIS_OF_AMPLITUDE * levels.amplitude, HYSTERESIS_OF_NOISE * self.noise), nearest)
