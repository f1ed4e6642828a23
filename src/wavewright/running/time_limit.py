"""The longest time that a run may take: what is going on then ends, and the outputs go off."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from wavewright.errors import TimeUp
from wavewright.instruments.bench import Bench
from wavewright.instruments.deadlines import Deadline
from wavewright.quantities import show_quantity
from wavewright.running.prompts import Operator


class TimeLimit:
    """The time that instruments and shots of one run have together; waiting for a person does not count.

    Parameters
    ----------
    seconds : from now on.
    """

    def __init__(self, seconds: float) -> None:
        self._seconds, self._deadline = seconds, Deadline(seconds)

    def govern(self, bench: Bench) -> None:
        """Let nothing be exchanged with the instruments after the time is up, but for switching outputs off."""
        for instrument in bench.instruments.values():
            instrument.link.end_with(self._deadline, allow=self.check)

    def check(self) -> None:
        """Go on only while there is time.

        Raises
        ------
        TimeUp : there is none left.
        """
        if self._deadline.has_passed:
            raise TimeUp(
                f"the run has not ended within {show_quantity(self._seconds, 's')}",
                do="look what takes so long, or give it longer with `time_limit:` or `--time-limit`",
            )

    def pausing(self, pause: Callable[[float], None]) -> Callable[[float], None]:
        """The same pause, which ends with the time."""

        def shorter(seconds: float) -> None:
            self.check()
            pause(min(seconds, self._deadline.left()))
            self.check()

        return shorter

    def asking(self, person: Operator) -> Operator:
        """The same person, who is not hurried."""
        return _Unhurried(person, self)

    @contextmanager
    def stopped(self) -> Iterator[None]:
        """Time inside the block does not count."""
        begin = time.monotonic()
        try:
            yield
        finally:
            self._deadline.extend(time.monotonic() - begin)


class _Unhurried:
    def __init__(self, person: Operator, limit: TimeLimit) -> None:
        self._person, self._limit = person, limit

    def confirm(self, text: str) -> None:
        """Show a text and return when it has been confirmed."""
        with self._limit.stopped():
            self._person.confirm(text)

    def say(self, text: str) -> None:
        """Show a text that asks for nothing."""
        self._person.say(text)
