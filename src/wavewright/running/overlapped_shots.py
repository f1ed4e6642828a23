"""Work on one shot while the next is fetched: one thread beside the one that speaks to the instruments.

Signals come to the main thread, and the deadlines of every message are kept there: so that one speaks to the
instruments, and the other, which hears no signal, evaluates. It has one shot at a time, and gets them in
order. What it does beyond its own memory happens inside a fence, which is closed when it is given up.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from queue import SimpleQueue
from types import TracebackType
from typing import Generic, Self, TypeVar

from wavewright.errors import StorageFault
from wavewright.instruments.stop_signals import leave_to_main_thread
from wavewright.instruments.waits import SLICE

# s; so long the thread leaves the interpreter to the one that asks for the next record, which takes half of that. Each
# of its messages would wait for the evaluation, and the record would be on its way 2 ms later (measured).
HEAD_START = 1e-3
PATIENCE = 10.0  # s; so long a shot that is being worked on when a measurement ends early may still take
T = TypeVar("T")


class GivenUp(BaseException):
    """Nobody waits any more for what the thread does."""


class Fence:
    """What happens inside is whole when it is given up, and nothing happens inside after that."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._is_closed = False

    @contextmanager
    def __call__(self) -> Iterator[None]:
        """A block that belongs together; GivenUp where it may not begin any more."""
        with self._lock:
            if self._is_closed:
                raise GivenUp
            yield

    def close(self, seconds: float) -> bool:
        """Let nothing begin any more; whether what had begun has ended within this many seconds."""
        self._is_closed = True
        if not self._lock.acquire(timeout=seconds):
            return False
        self._lock.release()
        return True


class OverlappedShots(Generic[T]):
    """A `with` block with a thread that works on one shot after another; after it the thread has ended or is given up.

    Parameters
    ----------
    work : what is done with a shot; all that others can see of it happens inside the fence.
    on_fault : called in that thread when the work has failed.
    """

    def __init__(self, work: Callable[[T, Fence | None], None], *, on_fault: Callable[[], None]) -> None:
        self._work, self._on_fault = work, on_fault
        self._fence = Fence()
        self._given: SimpleQueue[T | None] = SimpleQueue()
        self._is_idle = threading.Event()
        self._is_idle.set()
        self._may_begin = threading.Event()
        self._fault: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="evaluates shots", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._given.put(None)
        if self.is_busy:  # whoever left in haste
            self._fence.close(0.0)

    @property
    def is_busy(self) -> bool:
        """Whether a shot is being worked on."""
        return not self._is_idle.is_set()

    def give(self, shot: T) -> None:
        """Hand over a shot; the one before must be done. Work on it begins with `begin`, or after HEAD_START."""
        assert not self.is_busy, "wait first"
        self._is_idle.clear()
        self._may_begin.clear()
        self._given.put(shot)

    def begin(self) -> None:
        """Let work on the shot begin: whoever has given it waits for something now."""
        self._may_begin.set()

    def wait(self, check: Callable[[], None]) -> None:
        """Until the shot that was given is done; raises what went wrong with it.

        Parameters
        ----------
        check : called meanwhile; what it raises ends the wait.
        """
        self.begin()
        while not self._is_idle.wait(SLICE):
            check()
        self.raise_fault()

    def settle(self, seconds: float) -> bool:
        """Wait for so long at most; whether the shot is done."""
        self.begin()
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            if self._is_idle.wait(min(left, SLICE)):
                return True
        return not self.is_busy

    def give_up(self) -> None:
        """Let the thread do nothing any more that anybody can see.

        Raises
        ------
        StorageFault : a shot is being written, and that does not end.
        """
        if not self._fence.close(PATIENCE):
            raise StorageFault(
                f"the evidence of a shot was not written within {PATIENCE:g} s",
                do="check the disk, or name another folder with --out",
            )

    def raise_fault(self) -> None:
        """Raise what the work has failed with, if it has."""
        if self._fault is not None:
            raise self._fault

    def _run(self) -> None:
        leave_to_main_thread()
        while (shot := self._given.get()) is not None:
            self._may_begin.wait(HEAD_START)
            try:
                self._work(shot, self._fence)
            except GivenUp:
                return
            except BaseException as fault:  # raised again in the thread that waits
                self._fault = fault
            del shot  # a record is not held while the next one is awaited
            if self._fault is not None:
                self._on_fault()  # before anybody who waits goes on: then nobody is stopped in what comes later
                self._is_idle.set()
                return
            self._is_idle.set()
