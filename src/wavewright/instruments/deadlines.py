"""Deadlines: of one answer, and of a whole that several queries are part of."""

from __future__ import annotations

import time
from types import TracebackType

from wavewright.errors import NoAnswer

SHORTEST = 1e-3  # s; VISA takes 0 for something else


class Deadline:
    """The moment after which an answer counts as missing.

    Parameters
    ----------
    timeout : s, for the whole answer.
    stall : s; once a block has begun, silence of this length ends the wait. None: only the whole counts.
    part_of : the deadline of a whole that this one is a step of.
    """

    __slots__ = ("_end", "_part_of", "_stall", "timeout")

    def __init__(self, timeout: float, *, stall: float | None = None, part_of: Deadline | None = None) -> None:
        self.timeout, self._stall, self._part_of = timeout, stall, part_of
        self._end = time.monotonic() + timeout

    def extend(self, seconds: float) -> None:
        """Put the moment off by this many seconds, and with it that of every whole that it is a part of."""
        one: Deadline | None = self
        while one is not None:
            one._end += seconds
            one = one._part_of

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
        return left if left > SHORTEST else SHORTEST

    def for_the_next_bytes(self) -> Deadline:
        """The same end, or that of the longest silence within a block, whichever is sooner."""
        left = self.left()
        return self if self._stall is None or left <= self._stall else Deadline(self._stall, part_of=self)


class Allowance:
    """The time that everything on one link has together, while somebody has set such a limit."""

    def __init__(self) -> None:
        self._whole: Deadline | None = None
        self._of_the_run: Deadline | None = None

    @property
    def is_used_up(self) -> bool:
        """Whether there is a limit, and it has passed."""
        return self._whole is not None and self._whole.has_passed

    def within(self, seconds: float) -> Limited:
        """What is exchanged inside the block has this many seconds together, and never more than a block around it."""
        return Limited(self, seconds, is_free=False)

    def end_with(self, whole: Deadline) -> None:
        """From now on no time is left after that moment, but inside `free`."""
        self._whole = self._of_the_run = whole

    def free(self, seconds: float) -> Limited:
        """As `within`, and no block around it counts."""
        return Limited(self, seconds, is_free=True)

    def begin(self, seconds: float, *, is_free: bool) -> Deadline | None:
        """Set a limit, within the one before unless it is free; the one before."""
        before = self._whole
        whole = None if is_free else self._exchanges
        self._whole = Deadline(seconds if is_free else self._share(seconds), part_of=whole)
        return before

    def end(self, before: Deadline | None) -> None:
        """Let the limit hold again that `begin` gave."""
        self._whole = before

    def part(
        self, seconds: float, *, share: float = 1.0, stall: float | None = None, of: Deadline | None = None
    ) -> Deadline:
        """A deadline for one step of it.

        Parameters
        ----------
        seconds : what the step would have by itself.
        share : of what is left of the whole; the rest is for what may come after the step.
        of : the exchange that the step is a part of; the whole if None.

        Raises
        ------
        NoAnswer : the whole is used up.
        """
        if self._whole is None:
            return Deadline(seconds, stall=stall, part_of=of)
        seconds = max(min(seconds, share * self._whole.left()), SHORTEST)
        return Deadline(seconds, stall=stall, part_of=of or self._exchanges)

    @property
    def _exchanges(self) -> Deadline | None:
        """The limit of a whole of exchanges. That of a run is not put off, whatever takes the time."""
        return None if self._whole is self._of_the_run else self._whole

    def _share(self, seconds: float) -> float:
        if self._whole is None:
            return seconds
        return 0.0 if self._whole.has_passed else min(seconds, self._whole.left())


class Limited:
    """A block whose exchanges have a limit of their own; the one before holds again after it.

    Written out, since each message on a link enters one or two of them and a generator would take twice as long.
    """

    __slots__ = ("_allowance", "_before", "_is_free", "_seconds")

    def __init__(self, allowance: Allowance, seconds: float, *, is_free: bool) -> None:
        self._allowance, self._seconds, self._is_free = allowance, seconds, is_free

    def __enter__(self) -> None:
        self._before = self._allowance.begin(self._seconds, is_free=self._is_free)

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self._allowance.end(self._before)
