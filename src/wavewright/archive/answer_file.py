"""Answers in a file, a line each, written as they come: it outlives a kill, and is resumed.

The first line says the query by its hash. Each line is the CRC-32 of the rest in eight hexadecimal digits, a space,
and JSON. A line that a kill cut off ends the file: it is taken away, and what it was about is asked again.
"""

from __future__ import annotations

import json
import tempfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from filelock import FileLock, Timeout

from wavewright.archive.answer import ItemAnswer, WrittenAnswer
from wavewright.durable_files import sync_file, take_away
from wavewright.errors import StorageFault

SUFFIX = ".answers"


class AnswerFile:
    """Answers on the disk; in memory there is only where each one begins. Use it as a `with` block.

    Parameters
    ----------
    path : None for a file that goes when it is closed.
    query : hash of the query that is asked.
    afresh : forget what is in the file.

    Raises
    ------
    StorageFault : the file holds answers to another query, another process writes it, or the disk takes nothing.
    """

    def __init__(self, path: Path | None, query: str, *, afresh: bool = False) -> None:
        self.path = path
        self._places: dict[str, int] = {}
        self._stamps: dict[str, str] = {}
        self._lock = (
            None if path is None else FileLock(path.with_name(f"{path.name}.lock"), timeout=0, thread_local=False)
        )
        with _storing(path):
            if self._lock is not None:
                try:
                    self._lock.acquire()
                except Timeout as fault:
                    raise StorageFault("another process writes these answers", where=str(path)) from fault
            try:
                self._file = _opened(path, afresh=afresh)
                self._take_up(query)
            except BaseException:
                self._unlock()
                raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; one with a name stays."""
        with suppress(OSError):  # of a full disk: it was said when it came
            self._file.close()
        self._unlock()

    def remove(self) -> None:
        """Close the file and delete it: a table has all that was in it."""
        self._file.close()
        if self.path is not None:
            with _storing(self.path):
                take_away(self.path)
        self._unlock()

    def stamps(self) -> dict[str, str]:
        """The stamps of what is answered without a fault."""
        return dict(self._stamps)

    def take(self, answer: WrittenAnswer) -> None:
        """Write an answer at the end; the last one about an item counts."""
        text = answer.text.encode()
        with _storing(self.path):
            place = self._file.seek(0, 2)
            self._write(text)
        self._note(answer, place)

    def keep(self) -> None:
        """Return when it all is on the disk."""
        if self.path is not None:
            with _storing(self.path):
                sync_file(self._file.fileno())

    def about(self, items: Sequence[str]) -> Iterator[ItemAnswer]:
        """The answers about these items, each read when its turn comes."""
        for item in items:
            if item in self._places:
                with _storing(self.path):
                    self._file.seek(self._places[item])
                    line = self._file.readline()
                yield ItemAnswer.read(line.partition(b" ")[2])

    def _write(self, text: bytes) -> None:
        self._file.write(b"%08x %b\n" % (zlib.crc32(text), text))
        self._file.flush()

    def _take_up(self, query: str) -> None:
        place, is_first = 0, True
        for line in self._file:
            crc, _, text = line.partition(b" ")
            if not text.endswith(b"\n") or crc != b"%08x" % zlib.crc32(text[:-1]):
                break
            if is_first and json.loads(text) != {"query": query}:
                raise StorageFault(
                    "these are answers to another query, or of another version",
                    where=str(self.path),
                    expected="answers to the query that is asked now",
                    do="`--afresh` forgets them; or name another --table",
                )
            if not is_first:
                self._note(ItemAnswer.read(text), place)
            is_first = False
            place += len(line)
        self._file.seek(place)
        self._file.truncate()
        if is_first:
            self._write(json.dumps({"query": query}).encode())

    def _note(self, answer: ItemAnswer | WrittenAnswer, place: int) -> None:
        self._places[answer.item] = place
        self._stamps.pop(answer.item, None)
        if not answer.fault:
            self._stamps[answer.item] = answer.stamp

    def _unlock(self) -> None:
        if self._lock is not None:
            self._lock.release()
            with suppress(OSError):  # somebody else waits for it
                Path(self._lock.lock_file).unlink(missing_ok=True)


def _opened(path: Path | None, *, afresh: bool) -> IO[bytes]:
    if path is None:
        return tempfile.TemporaryFile()
    return path.open("w+b" if afresh or not path.exists() else "r+b")


@contextmanager
def _storing(path: Path | None) -> Iterator[None]:
    try:
        yield
    except OSError as fault:
        raise StorageFault(
            f"answers cannot be kept: {fault.strerror or fault}",
            where=str(path or tempfile.gettempdir()),
            do="make room, or name another --table; what is answered already stays",
        ) from fault
