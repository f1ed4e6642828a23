"""Ctrl-C, SIGTERM and SIGHUP: the first breaks off what is going on, none reaches into the switching off of outputs."""

from __future__ import annotations

import _thread
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType

from wavewright.instruments.stop_signals import STOP_SIGNALS, heeding_console, never_lost


class Interrupted(KeyboardInterrupt):
    """Somebody wants the run to end now. No `except Exception` takes it for an ordinary fault.

    `outcome` is what the run brought until then.
    """

    outcome: object = None

    def __init__(self, number: int) -> None:
        super().__init__(f"broken off by {signal.Signals(number).name}")


class Interruption:
    """What the signals of one run did; made by `interruptible`."""

    def __init__(self, *, say: Callable[[str], None]) -> None:
        self._say = say
        self._number: int | None = None
        self._is_shielded = False
        self._was_raised = False

    def check(self) -> None:
        """Break off here if a signal came that nothing has answered yet.

        An exception raised by a signal is lost where foreign code swallows it; between two steps it is raised again.
        """
        if self._number is not None and not self._is_shielded:
            raise Interrupted(self._number)

    @contextmanager
    def shielded(self) -> Iterator[None]:
        """A block that no signal breaks off: what must happen, such as switching outputs off, happens in it."""
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
    handle signals. In another one the block changes nothing: there the program round it decides.

    Parameters
    ----------
    say : tells the operator something at once.
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
