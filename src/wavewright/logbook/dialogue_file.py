"""The file of the dialogue with the instruments, which keeps a fault of the disk to itself until it is asked."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from wavewright.errors import StorageFault


class DialogueFile(io.TextIOBase):
    """A text file that swallows the first fault, and everything after it, until `check` is called.

    What is written is with the operating system at once, so that a kill leaves the dialogue up to its last message.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file = path.open("xb", buffering=0)
        self._fault: OSError | None = None
        self.has_spoken = False

    def write(self, text: str) -> int:
        """Write all of it, or note why not."""
        self.has_spoken = self.has_spoken or not text.startswith("#")
        rest = memoryview(text.encode())
        while self._fault is None and rest:
            try:
                rest = rest[self._file.write(rest) :]
            except OSError as fault:
                self._fault = fault
        return len(text)

    def close(self) -> None:
        """Close the file, or note why that failed."""
        try:
            self._file.close()
        except OSError as fault:
            self._fault = self._fault or fault

    @property
    def handle(self) -> int:
        """As the operating system numbers it."""
        return self._file.fileno()

    def check(self) -> None:
        """Raise, as a StorageFault, what went wrong so far."""
        with named_storage(self._path):
            if self._fault is not None:
                raise self._fault


@contextmanager
def named_storage(path: Path) -> Iterator[None]:
    """Turn what the operating system says about a file or folder into our error."""
    try:
        yield
    except OSError as fault:
        raise StorageFault(
            f"the evidence cannot be written: {fault.strerror or fault}",
            where=str(fault.filename or path),
            do="free space or get permission to write there, or name another folder with --out",
        ) from fault
