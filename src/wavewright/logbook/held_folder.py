"""A dotted folder that a living process works in: a lock beside it distinguishes it from one that a kill has left.

The lock is the operating system's and ends with the process. It lies beside the folder, `NAME.lock`, is there before
the folder and stays until the folder has gone or has its final name.
"""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from wavewright.path_length import ROOM_FOR_A_FILE, within_reach

if TYPE_CHECKING:
    from filelock import FileLock

LOCK = ".lock"


class HeldFolder:
    """A new dotted folder, held by this process.

    Parameters
    ----------
    parent : created if it does not exist.
    name : what its name begins with, after the dot.

    Raises
    ------
    OSError : it cannot be made.
    """

    def __init__(self, parent: Path, name: str) -> None:
        from filelock import FileLock

        parent.mkdir(parents=True, exist_ok=True)
        self.path = within_reach(parent / f".{name}.{secrets.token_hex(4)}", ROOM_FOR_A_FILE)
        self._note = lock_of(self.path)
        self._lock = FileLock(self._note, thread_local=False)  # whichever thread gives it back
        self._lock.acquire(timeout=0)
        try:
            self.path.mkdir()
        except BaseException:
            self.let_go()
            raise

    def remove(self) -> None:
        """Delete the folder with everything in it, as far as it can be, and let go of it."""
        shutil.rmtree(self.path, ignore_errors=True)
        self.let_go()

    def let_go(self) -> None:
        """Give the folder up: it stays as it is, under whatever name it has."""
        _give_back(self._lock, self._note)


def lock_of(folder: Path) -> Path:
    """Where the lock of a held folder lies."""
    return folder.with_name(folder.name + LOCK)


@contextmanager
def taken_over(folder: Path) -> Iterator[bool]:
    """Hold a folder that another process has left; False in place of True where its process is alive."""
    from filelock import FileLock, Timeout

    lock = FileLock(lock_of(folder))
    try:
        lock.acquire(timeout=0)
    except Timeout:
        yield False
        return
    try:
        yield True
    finally:
        _give_back(lock, lock_of(folder))


def _give_back(lock: FileLock, note: Path) -> None:
    """Delete the file of a lock and let go of it, in this order where the system deletes a file that is open.

    Windows does not; there somebody may take the lock in between, and it is left to them.
    """
    try:
        note.unlink(missing_ok=True)
    except PermissionError:
        lock.release()
        with suppress(OSError):
            note.unlink(missing_ok=True)
    else:
        lock.release()


def remove_left_locks(parent: Path) -> None:
    """Delete locks beside folders that are gone: a kill between the two leaves them."""
    for note in parent.glob(f".*{LOCK}"):
        folder = note.with_name(note.name.removesuffix(LOCK))
        if not folder.exists():
            with taken_over(folder):
                pass
