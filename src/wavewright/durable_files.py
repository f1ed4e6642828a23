"""Files that are there whole or not at all, and are still there after the power failed.

The one place that knows how an operating system is made to bring something to the disk, and what another program that
has a file open keeps us from. They raise `OSError`; who calls says in the words of its job what could not be written.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from wavewright.path_length import within_reach

try:
    import fcntl as _fcntl
except ImportError:  # Windows
    _fcntl = None  # type: ignore[assignment]

PART = ".part"  # the suffix of what is being written; one that lies about belongs to a process that was killed
HELD = (5, 32, 33)  # Windows' numbers for a file that is open elsewhere: access denied, sharing, lock violation
PATIENCE = 2.0  # s; a virus scanner or an index has every new file open for a moment
IN_USE = "another program has it open, or it is write-protected; close it there, or name another file, and repeat"
_PAUSE = 0.05  # s
# macOS hands a file that is synced to the drive, which may keep it; only this asks the drive too (its fsync(2) †)
_TO_THE_PLATTER: int | None = getattr(_fcntl, "F_FULLFSYNC", None)


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """The name of a file to write in place of `path`: it becomes `path` when the block ends well, else it is removed.

    Whoever reads `path` meanwhile, and after a fault or a kill, finds what was there before. What is not an ordinary
    file, such as a pipe or `/dev/stdout`, is written to directly; where a link leads, there the file is replaced.
    """
    if path.exists() and not path.is_file():
        yield path
        return
    target = path.resolve() if path.is_symlink() else path
    # the suffix stays the last one: a writer may go by it
    name = f".{target.stem[:100]}.{os.urandom(4).hex()}{PART}{target.suffix}"
    part, target = within_reach(target.with_name(name)), within_reach(target)
    try:
        yield part
        if target.exists():
            part.chmod(target.stat().st_mode & 0o7777)
        sync_file(part)
        put_in_place(part, target)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    sync_folder(target.parent)


def write_whole(path: Path, content: bytes | str) -> None:
    """Write a file that is there whole or as it was before; text becomes UTF-8 with the line ends that it has."""
    with whole_file(path) as part:
        part.write_bytes(content.encode() if isinstance(content, str) else content)


def put_in_place(part: Path, target: Path) -> None:
    """Give a file or folder its final name, in place of a file that has it.

    Windows moves nothing that another program has open, nor puts anything in its place; that is waited for a little.

    Raises
    ------
    PermissionError : it stays open; says so. Nothing has been moved.
    """
    _patiently(lambda: part.replace(target), target)


def take_away(path: Path) -> None:
    """Delete a file, if it is there; as patient as `put_in_place`, and with the same error."""
    _patiently(lambda: path.unlink(missing_ok=True), path)


def _patiently(do: Callable[[], object], path: Path) -> None:
    end = time.monotonic() + PATIENCE
    while True:
        try:
            do()
        except PermissionError as fault:
            if getattr(fault, "winerror", None) not in HELD:
                raise
            if time.monotonic() > end:
                raise PermissionError(fault.errno, IN_USE, str(path)) from fault
            time.sleep(_PAUSE)
        else:
            return


def sync_file(file: Path | int) -> None:
    """Return when the content of a file, named or open, is on the disk."""
    if isinstance(file, int):
        _sync(file)
        return
    with file.open("rb+") as opened:
        _sync(opened.fileno())


def sync_folder(folder: Path) -> None:
    """Return when the names in a folder are on the disk, where the operating system lets us wait for that."""
    if not hasattr(os, "O_DIRECTORY"):  # Windows keeps the names by itself and opens no folder
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        _sync(handle)
    finally:
        os.close(handle)


def _sync(handle: int) -> None:
    if _TO_THE_PLATTER is not None:
        with suppress(OSError):  # not every file system knows it, a network's for one
            control: Any = _fcntl
            control.fcntl(handle, _TO_THE_PLATTER)
            return
    os.fsync(handle)
