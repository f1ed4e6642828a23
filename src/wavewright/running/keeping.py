"""Where the captures and the dialogue of a run go while it is on."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Protocol, TextIO

from wavewright.analysis.reading import Reading
from wavewright.running.outcome import MeasurementOutcome, Outcome
from wavewright.waveform import Capture


class Keeper(Protocol):
    """Takes everything as it comes; the logbook's evidence folder is one. All but the wire log raise StorageFault."""

    @property
    def wire_log(self) -> TextIO:
        """A text stream for the dialogue with the instruments; it never raises."""

    def begin(self, outcome: Outcome, *, size: int) -> None:
        """Before anything is sent: the outcome as it would be if nothing came, and the bytes of all planned records."""

    def identified(self, identities: Mapping[str, str]) -> None:
        """Who answers, by the name on the bench."""

    def keep(self, label: str, capture: Capture) -> None:
        """Take one shot of a measurement."""

    def read(self, label: str, readings: Mapping[str, Reading]) -> None:
        """What was computed from the last shot; returns when that and the shot are where no kill reaches them."""

    def measured(self, measurement: MeasurementOutcome) -> None:
        """A measurement is complete."""


class Memory:
    """Keeps captures and dialogue in memory, for runs that leave nothing behind."""

    def __init__(self) -> None:
        self.wire_log: TextIO = io.StringIO()
        self._captures: dict[str, list[Capture]] = {}

    def begin(self, outcome: Outcome, *, size: int) -> None:
        """Nothing: memory is there or it is not."""

    def identified(self, identities: Mapping[str, str]) -> None:
        """Nothing: the outcome has them."""

    def keep(self, label: str, capture: Capture) -> None:
        """Take one shot of a measurement."""
        self._captures.setdefault(label, []).append(capture)

    def read(self, label: str, readings: Mapping[str, Reading]) -> None:
        """Nothing: the outcome has them."""

    def measured(self, measurement: MeasurementOutcome) -> None:
        """Nothing: the outcome has it."""

    @property
    def captures(self) -> Mapping[str, Sequence[Capture]]:
        """All shots so far, by label of the measurement."""
        return self._captures
