"""A companion: a process that computes for this one, with a pipe to it and a pipe back, and nothing else in common.

Two ways lead to one. Where the system lets a process split, and nothing else goes on in this one, it is a copy: it is
there within milliseconds, and has all that is in memory. Elsewhere it is a new interpreter, which first loads what it
needs, and never runs again the program that started this one. Either has no file, socket or terminal of this process,
hears none of the signals of its terminal, and ends by itself as soon as this process has ended, however that came
about.

A message is its length, a number, whether it is what was wanted, and a pickled object.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from queue import Empty, SimpleQueue
from struct import Struct
from typing import IO, Any, NamedTuple, Protocol

from wavewright.instruments.stop_signals import leave_to_main_thread, leave_to_parent

HEAD = Struct("<Qq?")
UNREADABLE = (pickle.PicklingError, AttributeError, TypeError)  # what `pickle` says of an object that it cannot write
_NO_WINDOW: int = vars(subprocess).get("CREATE_NO_WINDOW", 0)  # Windows: no console, so no Ctrl-C from one
# glibc (mallopt(3)): memory that was freed is not given back to the system, from which the next record would have it
# page by page, in a fifth of the time of its evaluation
_KEEPS_MEMORY = {"MALLOC_MMAP_THRESHOLD_": str(1 << 25), "MALLOC_TRIM_THRESHOLD_": str(1 << 30)}
# What a new interpreter runs: with the folders of this one first, so that it loads the same.
_BEGIN = """
import pickle, sys
sys.path[:] = pickle.load(sys.stdin.buffer)
from wavewright.running.companion import serve_pipes
serve_pipes()
"""


class CompanionAnswer(NamedTuple):
    """What a companion says about an item; the last one, when it is gone, is about none."""

    companion: Companion
    number: int | None
    is_done: bool
    found: bytes


class Companion:
    """The near end of one, whichever way it was started.

    Parameters
    ----------
    process : it.
    there, back : the pipes.
    """

    def __init__(self, process: CompanionProcess, there: IO[bytes], back: IO[bytes]) -> None:
        self.process, self._there, self._back = process, there, back
        self.given: set[int] = set()
        self.is_gone = False
        self._thread: threading.Thread | None = None
        self._own: SimpleQueue[CompanionAnswer] = SimpleQueue()

    def listen(self, answers: SimpleQueue[CompanionAnswer]) -> None:
        """Its answers go into the queue from now on."""
        self._thread = threading.Thread(target=self._listen, args=(answers,), name="hears a companion", daemon=True)
        self._thread.start()

    def _listen(self, answers: SimpleQueue[CompanionAnswer]) -> None:
        leave_to_main_thread()
        with suppress(OSError, ValueError):
            while (message := _read(self._back)) is not None:
                answers.put(CompanionAnswer(self, *message))
        answers.put(CompanionAnswer(self, None, False, b""))

    def give(self, number: int, item: object) -> bool:
        """Hand over an item under a number; whether that was possible."""
        try:
            message = pickle.dumps(item, protocol=pickle.HIGHEST_PROTOCOL)
        except UNREADABLE:
            return False
        try:
            _write(self._there, number, True, message)
        except OSError:
            self.lost()
            return False
        self.given.add(number)
        return True

    def ask(self, number: int, item: object, *, patience: float) -> Any:
        """What it finds about an item; None where nothing is. Nobody else may listen to it: the caller waits.

        Parameters
        ----------
        patience : so long the answer may take, s; after that it is ended, as one that hangs.
        """
        if self.is_gone or not self.give(number, item):
            return None
        if self._thread is None:
            self.listen(self._own)
        last = time.monotonic() + patience
        with suppress(Empty):
            while (answer := self._own.get(timeout=max(last - time.monotonic(), 0))).number is not None:
                self.given.discard(answer.number)
                if answer.number == number:
                    with suppress(Exception):  # what cannot be read is as good as not found
                        return pickle.loads(answer.found) if answer.is_done else None
                    return None
        self.process.kill()
        self.lost()
        return None

    def lost(self) -> None:
        """It has ended, and what it was at with it."""
        self.is_gone = True
        self.given.clear()

    def end(self) -> None:
        """End it, whatever it is at, and wait until it has ended: nobody needs what it knows."""
        self.process.kill()
        self.process.wait()
        if self._thread is not None:
            self._thread.join()  # the pipe has no other end any more
        for pipe in (self._there, self._back):
            with suppress(OSError):
                pipe.close()


class CompanionProcess(Protocol):
    """The process of a companion."""

    @property
    def pid(self) -> int:
        """The system's number of it."""

    def kill(self) -> None:
        """End it at once."""

    def wait(self) -> object:
        """Until it has ended."""


class _Copy:
    """A copy of this process."""

    def __init__(self, pid: int) -> None:
        self.pid = pid

    def kill(self) -> None:
        with suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)

    def wait(self) -> object:
        with suppress(ChildProcessError):
            return os.waitpid(self.pid, 0)
        return None


def can_split() -> bool:
    """Whether a companion can be a copy of this process: nothing else may go on in it."""
    return sys.platform == "linux" and threading.active_count() == 1


def copied_companion(work: Callable[[Any], object]) -> Companion:
    """A companion that is a copy of this process; see `can_split`. No signal may interrupt the start.

    Raises
    ------
    OSError : the system has no room for one.
    """
    inward, there = os.pipe()
    back, outward = os.pipe()
    try:
        pid = os.fork()
    except OSError:
        for each in (inward, there, back, outward):
            os.close(each)
        raise
    if not pid:
        _be_a_copy(work, inward, outward)
    os.close(inward)
    os.close(outward)
    return Companion(_Copy(pid), os.fdopen(there, "wb", buffering=0), os.fdopen(back, "rb"))


def new_companion(work: Callable[[Any], object], *, shared: Sequence[int] = ()) -> Companion:
    """A companion with an interpreter of its own; no signal may interrupt the start.

    Parameters
    ----------
    shared : descriptors that it has under the same numbers; none on Windows.

    Raises
    ------
    OSError : the system has no room for one, or there is no interpreter to be started.
    PicklingError, AttributeError, TypeError : the work cannot be handed over.
    """
    message = pickle.dumps(work, protocol=pickle.HIGHEST_PROTOCOL)
    if not sys.executable:
        raise FileNotFoundError("no interpreter is known")
    process = subprocess.Popen(
        [sys.executable, "-P", "-c", _BEGIN], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        start_new_session=True, creationflags=_NO_WINDOW, pass_fds=shared, env={**os.environ, **_KEEPS_MEMORY},
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        process.stdin.write(pickle.dumps([one for one in sys.path if isinstance(one, str)]))
        _write(process.stdin, 0, True, message)
    except BaseException:
        process.kill()
        process.wait()
        raise
    return Companion(process, process.stdin, process.stdout)


def _be_a_copy(work: Callable[[Any], object], inward: int, outward: int) -> None:
    """In the copy: nothing of the other's is kept open; it never returns."""
    try:
        leave_to_parent()
        os.setsid()
        nothing = os.open(os.devnull, os.O_RDWR)
        for standard in range(3):
            os.dup2(nothing, standard)
        first, last = sorted((inward, outward))
        os.closerange(3, first)
        os.closerange(first + 1, last)
        os.closerange(last + 1, os.sysconf("SC_OPEN_MAX"))
        gc.freeze()  # the collector would write to what is in memory, and so have it copied
        _serve(work, os.fdopen(inward, "rb"), os.fdopen(outward, "wb"))
    finally:
        os._exit(0)


def serve_pipes() -> None:
    """In the new interpreter: its first message is the work."""
    leave_to_parent()
    outward = os.fdopen(os.dup(1), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what somebody prints must not get among the answers
    first = _read(sys.stdin.buffer)
    if first is None:
        return
    try:
        work = pickle.loads(first[2])
    except Exception:  # it cannot be loaded here: then nothing can be done
        work = _nothing_can_be_done
    _serve(work, sys.stdin.buffer, outward)


def _nothing_can_be_done(item: object) -> object:
    raise NotImplementedError(item)


def _serve(work: Callable[[Any], object], inward: IO[bytes], outward: IO[bytes]) -> None:
    """Do one item after another."""
    items: SimpleQueue[tuple[int, bytes]] = SimpleQueue()
    threading.Thread(target=_take_in, args=(inward, items), daemon=True).start()
    while True:
        number, item = items.get()
        try:
            found = pickle.dumps(work(pickle.loads(item)), protocol=pickle.HIGHEST_PROTOCOL)
            is_done = True
        except Exception:  # of any kind: whoever asks meets it too
            found, is_done = b"", False
        _write(outward, number, is_done, found)
        outward.flush()


def _take_in(inward: IO[bytes], items: SimpleQueue[tuple[int, bytes]]) -> None:
    """Read ahead, so that whoever hands over does not wait; the end of the other process is that of this one."""
    with suppress(BaseException):
        while (message := _read(inward)) is not None:
            items.put((message[0], message[2]))
    os._exit(0)


def _write(pipe: IO[bytes], number: int, is_done: bool, message: bytes) -> None:
    left = memoryview(HEAD.pack(len(message), number, is_done) + message)
    while left:
        left = left[pipe.write(left) or 0 :]
    pipe.flush()


def _read(pipe: IO[bytes]) -> tuple[int, bool, bytes] | None:
    """The next message; None at the end, also inside a message."""
    head = pipe.read(HEAD.size)
    if len(head) < HEAD.size:
        return None
    length, number, is_done = HEAD.unpack(head)
    message = pipe.read(length)
    return (number, is_done, message) if len(message) == length else None
