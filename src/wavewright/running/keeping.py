"""Where the captures and the dialogue of a run go while it is on."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Protocol, TextIO

from wavewright.waveform import Capture


class Keeper(Protocol):
    """Takes each shot as it comes; the logbook's evidence folder is one."""

    @property
    def wire_log(self) -> TextIO:
        """A text stream for the dialogue with the instruments; it never raises."""

    def keep(self, label: str, capture: Capture) -> None:
        """Take one shot of a measurement."""

    def drop(self, label: str) -> None:
        """Forget the shots of a measurement."""


class Memory:
    """Keeps captures and dialogue in memory, for runs that leave nothing behind."""

    def __init__(self) -> None:
        self.wire_log: TextIO = io.StringIO()
        self._captures: dict[str, list[Capture]] = {}

    def keep(self, label: str, capture: Capture) -> None:
        """Take one shot of a measurement."""
        self._captures.setdefault(label, []).append(capture)

    def drop(self, label: str) -> None:
        """Forget the shots of a measurement."""
        self._captures.pop(label, None)

    @property
    def captures(self) -> Mapping[str, Sequence[Capture]]:
        """All shots so far, by label of the measurement."""
        return self._captures
