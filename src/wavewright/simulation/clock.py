"""The simulated bench's own time: it goes on by messages and by waiting, never by the wall clock."""

from __future__ import annotations


class Clock:
    """Simulated seconds since the bench was switched on."""

    def __init__(self, now: float = 0.0) -> None:
        self._now = now

    @property
    def now(self) -> float:
        """The moment that it is on the bench, s."""
        return self._now

    def advance(self, seconds: float) -> None:
        """Let time go by, s ≥ 0."""
        self._now += max(0.0, seconds)

    def go_to(self, moment: float) -> None:
        """Let time go by until a moment; nothing happens when it is past already."""
        self._now = max(self._now, moment)
