"""A file on the disk for HDF5 to write into, which keeps a fault of the disk to itself until it is asked."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any


class DiskFile(io.RawIOBase):
    """A file that swallows the first fault, and every write after it, until `check` is called.

    HDF5 that meets a full disk cannot be closed any more and complains, from its destructors, until the process ends.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("x+b", buffering=0)
        self._fault: OSError | None = None

    def readinto(self, buffer: Any) -> int | None:
        """As of any file."""
        return self._file.readinto(buffer)

    def write(self, content: Any) -> int:
        """Write all of it, or note why not."""
        rest = memoryview(content).cast("B")
        size = rest.nbytes
        while self._fault is None and rest.nbytes:
            try:
                rest = rest[self._file.write(rest) :]
            except OSError as fault:
                self._fault = fault
        return size

    def seek(self, offset: int, whence: int = 0) -> int:
        """As of any file."""
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        """As of any file."""
        return self._file.tell()

    def truncate(self, size: int | None = None) -> int:
        """Cut or lengthen it, or note why not."""
        try:
            return self._file.truncate(size)
        except OSError as fault:
            self._fault = self._fault or fault
            return size or 0

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        super().close()

    @property
    def handle(self) -> int:
        """As the operating system numbers it."""
        return self._file.fileno()

    def check(self) -> None:
        """Raise what went wrong so far."""
        if self._fault is not None:
            raise self._fault
