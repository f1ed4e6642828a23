"""What ends a run early: signals, the time limit, a measurement that is interrupted; never before outputs are off."""

from __future__ import annotations

import _thread
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType

from wavewright.errors import TimeUp
from wavewright.instruments.bench import Bench
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.stop_signals import STOP_SIGNALS, heeding_console, never_lost
from wavewright.quantities import show_quantity
from wavewright.running.result import MeasurementOutcome
from wavewright.running.run_context import Operator


class Interrupted(KeyboardInterrupt):
    """Somebody wants the run to end now. No `except Exception` takes it for an ordinary fault.

    `outcome` is what the run brought until then.
    """

    outcome: object = None

    def __init__(self, number: int) -> None:
        super().__init__(f"interrupted by {signal.Signals(number).name}")


class Interruption:
    """What the signals of one run did; made by `interruptible`."""

    def __init__(self, *, say: Callable[[str], None]) -> None:
        self._say = say
        self._number: int | None = None
        self._is_shielded = False
        self._was_raised = False

    def check(self) -> None:
        """Stop here if a signal came that nothing has answered yet.

        An exception raised by a signal is lost where foreign code swallows it; between two steps it is raised again.
        """
        if self._number is not None and not self._is_shielded:
            raise Interrupted(self._number)

    @contextmanager
    def shielded(self) -> Iterator[None]:
        """A block that no signal interrupts: what must happen, such as switching outputs off, happens in it."""
        self._is_shielded = True
        try:
            yield
        finally:
            self._is_shielded = False

    @property
    def came(self) -> bool:
        """True once a signal has come."""
        return self._number is not None

    def take(self, number: int, frame: FrameType | None) -> None:
        """The handler of the signals."""
        if self._number is None:
            self._number = number
        if self._is_shielded or self._was_raised:
            with suppress(OSError, ValueError):  # of a terminal that is gone: the signal has said so
                self._say("outputs are switched off and the evidence is kept first; the run ends then by itself")
            return
        self._was_raised = True
        raise Interrupted(self._number)

    def take_again(self, lost: BaseException) -> None:
        """What the handler raised has been lost: raise it once more at the next step of the program."""
        if self._number is not None and not self._is_shielded:
            self._was_raised = False
            _thread.interrupt_main(signal.Signals(self._number))


@contextmanager
def interruptible(*, say: Callable[[str], None]) -> Iterator[Interruption]:
    """Take over SIGINT, SIGTERM and SIGHUP inside the block; the handlers that were there return after it.

    A signal that the program was told to ignore, as by `nohup`, stays ignored. Only the main thread of a program can
    handle signals. In another one the block changes nothing: there the surrounding program decides.

    Parameters
    ----------
    say : shows the operator something at once.
    """
    interruption = Interruption(say=say)
    if threading.current_thread() is not threading.main_thread():
        yield interruption
        return
    heeded = [number for number in STOP_SIGNALS if signal.getsignal(number) is not signal.SIG_IGN]
    before = {number: signal.signal(number, interruption.take) for number in heeded}
    try:
        with never_lost(Interrupted, interruption.take_again), heeding_console():
            yield interruption
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


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
                do="check what takes so long, or allow more time with `time_limit:` or `--time-limit`",
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


class CutShort(BaseException):
    """Carries what ended a measurement past the steps of it, which have no answer to that.

    Parameters
    ----------
    fault : what ended it.
    outcome : evaluates the shots that were taken; called once outputs are off, since it may take a while.
    """

    def __init__(self, fault: BaseException, outcome: Callable[[], MeasurementOutcome]) -> None:
        super().__init__(str(fault))
        self.fault, self.outcome = fault, outcome


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
