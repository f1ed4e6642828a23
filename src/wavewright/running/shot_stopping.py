"""Ending a wait for the instruments early, and not the program: a shot, a setting, a pause.

Another thread asks; the main thread, which speaks to the instruments, leaves its wait as it would for Ctrl-C.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

from wavewright.instruments.stop_signals import STOP_WAITING, never_lost, wake_main_thread


class StoppedShort(BaseException):
    """What was going on was ended early. No `except Exception` takes it for an ordinary fault."""


class ShotStopper:
    """Ends what the main thread does inside `allowed`; made by `stoppable_shots`."""

    def __init__(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        self._is_allowed = self._only_urgent = False
        self._is_asked = self._is_urgent = False

    def ask(self, *, urgently: bool = False) -> None:
        """From any thread: end what is going on, if anything is.

        Parameters
        ----------
        urgently : end also what is to be ended for nothing less.
        """
        self._is_urgent = self._is_urgent or urgently
        self._is_asked = True
        if self._is_allowed:
            self._wake()

    @property
    def is_busy(self) -> bool:
        """Whether something is going on that can be ended early."""
        return self._is_allowed and not self._only_urgent

    def check(self) -> None:
        """Between two steps: stop here if that was asked for."""
        if self._is_allowed and self._is_asked and (self._is_urgent or not self._only_urgent):
            self._is_asked = self._is_urgent = False
            raise StoppedShort

    @contextmanager
    def allowed(self, *, only_urgent: bool = False) -> Iterator[None]:
        """A block that may end with StoppedShort, at once if that was asked for before.

        Parameters
        ----------
        only_urgent : only where it was asked for urgently.
        """
        self._is_allowed, self._only_urgent = True, only_urgent
        try:
            self.check()
            yield
        finally:
            self._is_allowed = False

    def take(self, number: int, frame: FrameType | None) -> None:
        """The handler of the signal."""
        self.check()

    def take_again(self, lost: BaseException) -> None:
        """What the handler raised has been lost: raise it once more at the next step of the program."""
        self.ask(urgently=self._only_urgent)


@contextmanager
def stoppable_shots() -> Iterator[ShotStopper]:
    """Inside the block waits of the main thread can be ended early; in another thread only between two steps."""
    if threading.current_thread() is not threading.main_thread():
        yield ShotStopper(lambda: None)
        return
    stopper = ShotStopper(wake_main_thread)
    before = signal.signal(STOP_WAITING, stopper.take)
    try:
        with never_lost(StoppedShort, stopper.take_again):
            yield stopper
    finally:
        signal.signal(STOP_WAITING, before)
