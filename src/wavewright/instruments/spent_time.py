"""Where the seconds of a run go: each instant belongs to one part, and so the parts sum to the whole.

The thread that speaks to the instruments keeps the account. What another thread does meanwhile is not counted a second
time: it shows only where this thread waits for it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from enum import StrEnum


class TimePart(StrEnum):
    """What a run spends time on."""

    TRIGGER = "trigger"  # armed, until the record is complete
    ANSWERS = "answers"  # settings, and queries with short answers
    TRANSFER = "transfer"  # the samples of a record
    EVALUATION = "evaluation"  # readings, verdicts, and the evidence of each shot
    PEOPLE = "people"  # until somebody has confirmed
    PAUSES = "pauses"  # that the recipe asks for
    REST = "rest"


_EXCHANGES = frozenset({TimePart.TRIGGER, TimePart.ANSWERS, TimePart.TRANSFER})


class SpentTime:
    """The account of one run.

    Parameters
    ----------
    elapsed : s, of a clock that cannot jump.
    """

    def __init__(self, elapsed: Callable[[], float] = time.monotonic) -> None:
        self._elapsed = elapsed
        self._part = TimePart.REST
        self._begun = self._since = elapsed()
        self._spent = dict.fromkeys(TimePart, 0.0)

    @contextmanager
    def on(self, part: TimePart) -> Iterator[None]:
        """The time inside the block belongs to that part, but for what is inside another such block within it.

        A query that waits for the trigger, or is one of a record, belongs to those and not to the answers.
        """
        before = self._part
        if part is before or (part in _EXCHANGES and before in _EXCHANGES):
            yield
            return
        self._turn_to(part)
        try:
            yield
        finally:
            self._turn_to(before)

    def so_far(self) -> dict[str, float]:
        """Seconds by part; the rest is what is left of the whole."""
        self._turn_to(self._part)
        whole = self._since - self._begun
        found = {part.value: spent for part, spent in self._spent.items() if part is not TimePart.REST}
        return {**found, TimePart.REST.value: max(whole - sum(found.values()), 0.0)}

    def _turn_to(self, part: TimePart) -> None:
        now = self._elapsed()
        # the instant is taken over first: a signal that interrupts here makes it part of the rest, and never counts it
        # twice
        since, self._since = self._since, now
        before, self._part = self._part, part
        self._spent[before] += now - since


def difference(later: Mapping[str, float], earlier: Mapping[str, float]) -> dict[str, float]:
    """What was spent between two moments of one account, s."""
    return {part.value: max(later[part] - earlier[part], 0.0) for part in TimePart}
