"""What comes from files, databases and instruments is shown on a terminal, never obeyed by it."""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from typing import Any, TextIO

# Everything that a terminal takes for a command: the control characters of ISO 6429 but for the line end and the tab,
# and the marks that turn the direction of writing (Unicode 16.0, table 23-2 and annex 9 †).
COMMANDS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def visible(text: str) -> str:
    r"""The text with every command to a terminal written out: `\x1b[31m` for the one that turns to red."""
    return COMMANDS.sub(lambda found: f"\\x{ord(found[0]):02x}" if ord(found[0]) < 256 else _long(found[0]), text)


def _long(sign: str) -> str:
    return f"\\u{ord(sign):04x}"


class VisibleStream:
    """A text stream that writes what it is given so that it can be seen; all else it leaves to the stream below."""

    def __init__(self, below: TextIO) -> None:
        self.below = below

    def write(self, text: str) -> int:
        """Write a text; returns how many characters it had."""
        self.below.write(visible(text))
        return len(text)

    def writelines(self, lines: Iterable[str]) -> None:
        """Write texts one after the other."""
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.below, name)


@contextmanager
def visible_streams() -> Iterator[None]:
    """Whatever is printed inside the block is shown and not obeyed."""
    out, err = below(sys.stdout), below(sys.stderr)
    shown = redirect_stdout(VisibleStream(out)), redirect_stderr(VisibleStream(err))
    with writing_every_sign(out), writing_every_sign(err), shown[0], shown[1]:
        yield


@contextmanager
def writing_every_sign(stream: Any) -> Iterator[None]:
    r"""Inside the block a letter that the stream's encoding lacks is written out, `\u03a9` for Ω, and ends nothing.

    A Windows console takes UTF-8 and shows every letter; a file or pipe there has the code page, 1252 say. Inside a
    string of JSON the letter written out still means itself.
    """
    before = stream.errors if isinstance(stream, io.TextIOWrapper) else ""
    if before not in ("strict", "surrogateescape") or (before != "strict" and stream.encoding.lower() == "utf-8"):
        yield
        return
    stream.reconfigure(errors="backslashreplace")
    try:
        yield
    finally:
        if not stream.closed:
            stream.reconfigure(errors=before)


def below(stream: Any) -> TextIO:
    """The stream that a terminal's own commands, for colours say, may be written to."""
    found: TextIO = stream.below if isinstance(stream, VisibleStream) else stream
    return found
