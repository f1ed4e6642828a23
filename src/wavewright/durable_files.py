"""Files that are there whole or not at all, and are still there after the power failed.

The one place that knows how an operating system is told to bring something to the disk. They raise `OSError`; who calls
says in the words of its job what could not be written.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PART = ".part"  # the suffix of what is being written; one that lies about belongs to a process that was killed


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
    part = target.with_name(f".{target.stem[:100]}.{os.urandom(4).hex()}{PART}{target.suffix}")
    try:
        yield part
        if target.exists():
            part.chmod(target.stat().st_mode & 0o7777)
        sync_file(part)
        part.replace(target)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    sync_folder(target.parent)


def write_whole(path: Path, content: bytes | str) -> None:
    """Write a file that is there whole or as it was before; text becomes UTF-8 with the line ends that it has."""
    with whole_file(path) as part:
        part.write_bytes(content.encode() if isinstance(content, str) else content)


def sync_file(file: Path | int) -> None:
    """Return when the content of a file, named or open, is on the disk."""
    if isinstance(file, int):
        os.fsync(file)
        return
    with file.open("rb+") as opened:
        os.fsync(opened.fileno())


def sync_folder(folder: Path) -> None:
    """Return when the names in a folder are on the disk, where the operating system lets us wait for that."""
    if not hasattr(os, "O_DIRECTORY"):  # Windows keeps the names by itself and opens no folder
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
