"""Deadlines: of one answer, and of a whole that several questions are part of."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

from wavewright.errors import NoAnswer

SHORTEST = 1e-3  # s; VISA takes 0 for something else


class Deadline:
    """The moment after which an answer counts as missing.

    Parameters
    ----------
    timeout : s, for the whole answer.
    stall : s; once a block has begun, silence of this length ends the wait. None: only the whole counts.
    """

    def __init__(self, timeout: float, *, stall: float | None = None) -> None:
        self.timeout, self._stall = timeout, stall
        self._end = time.monotonic() + timeout

    def extend(self, seconds: float) -> None:
        """Put the moment off by so many seconds."""
        self._end += seconds

    @property
    def has_passed(self) -> bool:
        """Whether no time is left."""
        return time.monotonic() >= self._end

    def left(self) -> float:
        """Seconds until then, at least 1 ms: VISA takes 0 for something else.

        Raises
        ------
        NoAnswer : it has passed.
        """
        left = self._end - time.monotonic()
        if left <= 0:
            raise NoAnswer(f"nothing more came within {self.timeout:.3g} s")
        return max(left, SHORTEST)

    def for_the_next_bytes(self) -> Deadline:
        """The same end, or that of the longest silence within a block, whichever is sooner."""
        left = self.left()
        return self if self._stall is None or left <= self._stall else Deadline(self._stall)


class Allowance:
    """The time that everything on one link has together, while somebody has set such a limit."""

    def __init__(self) -> None:
        self._whole: Deadline | None = None

    @property
    def is_used_up(self) -> bool:
        """Whether there is a limit, and it has passed."""
        return self._whole is not None and self._whole.has_passed

    @contextmanager
    def within(self, seconds: float) -> Iterator[None]:
        """What is exchanged inside the block has so many seconds together, and never more than a block around it."""
        before = self._whole
        self._whole = Deadline(self._share(seconds))
        try:
            yield
        finally:
            self._whole = before

    def end_with(self, whole: Deadline) -> None:
        """From now on no time is left after that moment, but inside `free`."""
        self._whole = whole

    @contextmanager
    def free(self, seconds: float) -> Iterator[None]:
        """As `within`, and no block around it counts."""
        before = self._whole
        self._whole = Deadline(seconds)
        try:
            yield
        finally:
            self._whole = before

    def part(self, seconds: float, *, share: float = 1.0, stall: float | None = None) -> Deadline:
        """A deadline for one step of it.

        Parameters
        ----------
        seconds : what the step would have by itself.
        share : of what is left of the whole; the rest is for what may come after the step.

        Raises
        ------
        NoAnswer : the whole is used up.
        """
        if self._whole is None:
            return Deadline(seconds, stall=stall)
        return Deadline(max(min(seconds, share * self._whole.left()), SHORTEST), stall=stall)

    def _share(self, seconds: float) -> float:
        if self._whole is None:
            return seconds
        return 0.0 if self._whole.has_passed else min(seconds, self._whole.left())
