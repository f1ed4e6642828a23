"""Affine changes: what every systematic error of an input does to a waveform.

A wrong gain and an offset change the scale of the values, a wrong sample clock that of the time axis, skew shifts it.
The codes stay what they are, so whatever is known of them is known of the changed waveform as well.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Protocol

from wavewright.analysis.record.survey import Survey
from wavewright.waveform import Waveform


@dataclass(frozen=True, slots=True)
class Affine:
    """One change: values · `gain` + `offset`, times · `time` + `delay`.

    Parameters
    ----------
    offset : in the waveform's unit; delay : s. The trigger, at 0 s, is the fixed point of the time axis.
    """

    gain: float = 1.0
    offset: float = 0.0
    time: float = 1.0
    delay: float = 0.0

    def of(self, wave: Waveform) -> Waveform:
        """The changed waveform, with the same codes."""
        return replace(
            wave,
            gain=wave.gain * self.gain,
            offset=wave.offset * self.gain + self.offset,
            interval=wave.interval * self.time,
            start=wave.start * self.time + self.delay,
        )

    def survey(self, survey: Survey) -> Survey:
        """The survey of the changed waveform, made once and kept with the survey that it is of."""
        return survey.once(("changed", self), lambda: survey.changed(self.of(survey.wave)))


class Alteration(Protocol):
    """Anything that can become of one waveform."""

    def of(self, wave: Waveform) -> Waveform:
        """The waveform as it then is."""

    def survey(self, survey: Survey) -> Survey:
        """The survey of that."""


@dataclass(frozen=True, slots=True)
class NumberShift:
    """So much more of a number that a derived channel is computed with, in its unit; no input changes."""

    amount: float

    def of(self, wave: Waveform) -> Waveform:
        """The waveform as it is."""
        return wave

    def survey(self, survey: Survey) -> Survey:
        """Its survey as it is."""
        return survey


Change = Mapping[str, Alteration]
"""By the name of an input, what becomes of its waveform; those that are not named stay as they are."""

Evaluate = Callable[[Change], float | None]
"""The value of a metric on changed waveforms; None where it then has none."""
