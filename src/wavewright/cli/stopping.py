"""Signals to a command that has no outputs to switch off: it ends within two seconds, with a word and status 3."""

from __future__ import annotations

import _thread
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType

from wavewright.instruments.stop_signals import STOP_SIGNALS, arrivals_of_signals, heeding_console, never_lost

GRACE = 1.5  # s for a command to end by itself; after that nobody waits for a long computation any more
ERROR = 3


class Stop:
    """What a signal did to a command: ends it, by an exception, and by force where that is not heeded in time."""

    def __init__(self) -> None:
        self.word = "interrupted"
        self._number = int(signal.SIGINT)
        self._was_raised = False
        self._has_ended = threading.Event()

    def take(self, number: int, frame: FrameType | None) -> None:
        """The handler. A run of instruments puts another in its place, and then nothing here ends it."""
        if self._was_raised or self._has_ended.is_set():  # it is ending already
            return
        self._was_raised = True
        self._number = number
        self.word = f"interrupted by {signal.Signals(number).name}"
        raise KeyboardInterrupt(self.word)

    def take_again(self, lost: BaseException) -> None:
        """What the handler raised has been lost, in a destructor say: raise it once more."""
        self._was_raised = False
        _thread.interrupt_main(signal.Signals(self._number))

    def watch(self, arrivals: int) -> None:
        """End the process, by force, if it goes on for too long after a signal that was ours to take.

        Parameters
        ----------
        arrivals : where Python writes the number of each signal at once, whatever the main thread is busy with.
        """
        while number := os.read(arrivals, 1):
            if number[0] in STOP_SIGNALS and signal.getsignal(number[0]) == self.take:
                if not self._has_ended.wait(GRACE):
                    with suppress(OSError):
                        os.write(2, f"interrupted by {signal.Signals(number[0]).name}\n".encode())
                    os._exit(ERROR)
                return

    def end(self) -> None:
        """The command has ended in time."""
        self._has_ended.set()


@contextmanager
def stoppable() -> Iterator[Stop]:
    """Take SIGINT, SIGTERM and SIGHUP inside the block, unless they are ignored, as under `nohup`."""
    stop = Stop()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    arrivals, sender = arrivals_of_signals()
    heeded = [number for number in STOP_SIGNALS if signal.getsignal(number) is not signal.SIG_IGN]
    watcher = threading.Thread(target=stop.watch, args=(arrivals,), daemon=True, name="stop")
    watcher.start()
    before_wakeup = signal.set_wakeup_fd(sender, warn_on_full_buffer=False)
    before = {number: signal.signal(number, stop.take) for number in heeded}
    try:
        with never_lost(KeyboardInterrupt, stop.take_again), heeding_console():
            yield stop
    finally:
        stop.end()
        for number, handler in before.items():
            signal.signal(number, handler)
        signal.set_wakeup_fd(before_wakeup)
        os.close(sender)
        watcher.join()
        os.close(arrivals)


def end_while_loading() -> None:
    """Until a command is loaded nothing has been touched: a signal ends it on the spot."""

    def end(number: int, frame: FrameType | None) -> None:
        with suppress(OSError):
            os.write(sys.stderr.fileno(), f"interrupted by {signal.Signals(number).name}\n".encode())
        os._exit(ERROR)

    for number in STOP_SIGNALS:
        if signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):
            signal.signal(number, end)
