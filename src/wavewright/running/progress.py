"""Who is told how far a run has come."""

from __future__ import annotations

from typing import Protocol

from wavewright.running.outcome import MeasurementOutcome


class Progress(Protocol):
    """Told at every step; a program that shows nothing passes `Silent`."""

    def begin(self, label: str, *, shots: int) -> None:
        """A measurement begins."""

    def step(self, text: str) -> None:
        """Something that takes a while begins."""

    def shot(self, number: int) -> None:
        """So many shots of the measurement are in."""

    def end(self, outcome: MeasurementOutcome) -> None:
        """The measurement has ended."""


class Silent:
    """Shows nothing."""

    def begin(self, label: str, *, shots: int) -> None:
        """Nothing."""

    def step(self, text: str) -> None:
        """Nothing."""

    def shot(self, number: int) -> None:
        """Nothing."""

    def end(self, outcome: MeasurementOutcome) -> None:
        """Nothing."""
