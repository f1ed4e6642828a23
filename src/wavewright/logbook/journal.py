"""The journal of a run: a line for each thing that came, written when it came, so that a killed run can be read.

An append-only text file beside captures and wire log while the run is on. Each line is the CRC-32 of the rest in eight
hexadecimal digits, a space, and a JSON object with one key that says what the line is about and `at`, the time, UTC:

    begin       outcome.json as it would be if nothing came any more
    identities  the answers to `*IDN?`, by the name on the bench
    shot        what a capture is but for its codes, and where in the file of captures these lie
    readings    of one shot, by the name in the recipe
    measured    one measurement of outcome.json, complete

A line that is cut off or damaged ends the journal: what is before it counts. A CRC, since a line is to be distinguished
from one that the power cut off, not from one that somebody has forged.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any


@dataclass(frozen=True, slots=True)
class JournalLine:
    """One line: what it is about, when it was written, what it says."""

    kind: str
    at: datetime
    content: Any


class Journal:
    """The journal of a run that is on. Every line is handed to the operating system at once; all raise `OSError`."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("xb", buffering=0)

    def write(self, kind: str, content: Mapping[str, Any]) -> None:
        """Append one line."""
        at = datetime.now(UTC).isoformat()
        text = json.dumps({"at": at, kind: content}, ensure_ascii=False, separators=(",", ":")).encode()
        rest = memoryview(b"%08x %b\n" % (zlib.crc32(text), text))
        while rest:
            rest = rest[self._file.write(rest) :]

    @property
    def handle(self) -> int:
        """Of the open file, as the operating system numbers it."""
        return self._file.fileno()

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def read_journal(path: Path) -> Iterator[JournalLine]:
    """The lines of a journal, up to the first that is not whole; none where there is no journal.

    Raises
    ------
    OSError : it cannot be read.
    """
    if not path.exists():
        return
    with path.open("rb") as file:
        for line in file:
            crc, _, text = line.partition(b" ")
            if not text.endswith(b"\n") or crc != b"%08x" % zlib.crc32(text[:-1]):
                return
            plain = json.loads(text)
            at = datetime.fromisoformat(plain.pop("at"))
            ((kind, content),) = plain.items()
            yield JournalLine(kind, at, content)
