"""Who is told how far a run has come."""

from __future__ import annotations

import logging
from typing import Protocol

from wavewright.running.outcome import MeasurementOutcome

log = logging.getLogger(__name__)


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


class Logged:
    """Tells another of each step, and the log."""

    def __init__(self, progress: Progress) -> None:
        self._progress, self._label, self._shots = progress, "", 0

    def begin(self, label: str, *, shots: int) -> None:
        """A measurement begins."""
        self._label, self._shots = label, shots
        log.info("%s: begins, %d shots", label, shots)
        self._progress.begin(label, shots=shots)

    def step(self, text: str) -> None:
        """Something that takes a while begins."""
        log.info("%s: %s", self._label, text)
        self._progress.step(text)

    def shot(self, number: int) -> None:
        """So many shots of the measurement are in."""
        log.info("%s: shot %d of %d", self._label, number, self._shots)
        self._progress.shot(number)

    def end(self, outcome: MeasurementOutcome) -> None:
        """The measurement has ended."""
        log.info("%s: %s", self._label, outcome.verdict or "recorded")
        self._progress.end(outcome)
