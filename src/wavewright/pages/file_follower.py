"""Following a file: told at once by the operating system, and looked at once a second where that tells nothing."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from wavewright.instruments.stop_signals import leave_to_main_thread

STEP, DEBOUNCE = 10, 60  # ms: an editor that writes a file in several steps is waited for so long
LOOK_AGAIN = 1000  # ms; on a network drive nobody tells


class FileFollower:
    """Calls when a file has been written, replaced or deleted, from a thread of its own.

    Parameters
    ----------
    path : the file; that it is replaced, as many editors do, or deleted counts too.
    changed : called whether or not the content is another one.
    beside : asked once a second whether something else has changed that belongs to the file.
    """

    def __init__(self, path: Path, changed: Callable[[], None], *, beside: Callable[[], bool] = lambda: False) -> None:
        self._path, self._changed, self._beside = path, changed, beside
        self._mark = _mark_of(path)
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._work, name="file follower", daemon=True)

    def __enter__(self) -> FileFollower:
        self._thread.start()
        return self

    def __exit__(self, *fault: object) -> None:
        self._end.set()
        self._thread.join()

    def _work(self) -> None:
        from watchfiles import watch

        leave_to_main_thread()
        folder, own = self._path.resolve().parent, {str(self._path.resolve()), str(self._path.absolute())}
        try:
            changes = watch(
                folder,
                self._path.absolute().parent,
                watch_filter=lambda change, name: name in own,
                stop_event=self._end,
                debounce=DEBOUNCE,
                step=STEP,
                rust_timeout=LOOK_AGAIN,
                yield_on_timeout=True,
                recursive=False,
                raise_interrupt=False,
            )
            for _ in changes:
                self._look()
        except (OSError, RuntimeError):  # the folder is gone, or the system has no more watches
            while not self._end.wait(LOOK_AGAIN / 1000):
                self._look()

    def _look(self) -> None:
        """Tell it if the file is another one, or was written, since the last look."""
        now = _mark_of(self._path)
        if now != self._mark or self._beside():
            self._mark = now
            self._changed()


def _mark_of(path: Path) -> tuple[int, int, int] | None:
    """What changes with every writing; None where there is no such file."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino
