"""What commands print: prose and tables, or JSON, never both; results on stdout."""

from __future__ import annotations

import json
import os
import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.visible import COMMANDS, below

if TYPE_CHECKING:
    from rich.console import Console

WIDE = 200  # columns

AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]


def print_json(result: Any) -> None:
    """One JSON document on stdout; non-finite numbers have no place in JSON and are a defect."""
    sys.stdout.write(json_text(result) + "\n")


def json_text(result: Any) -> str:
    """A JSON document in which what a terminal would obey is written as JSON writes it: the document stays the same."""
    text = json.dumps(result, ensure_ascii=False, indent=2, allow_nan=False)
    return COMMANDS.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


class LaterConsole:
    """The console on stderr, which is made when something is drawn on it: lines of text in a pipe need none."""

    def __init__(self) -> None:
        self._console: Console | None = None
        self._stream = below(sys.stderr)

    @property
    def console(self) -> Console:
        """The console itself."""
        if self._console is None:
            self._console = console(stderr=True)
        return self._console

    @property
    def is_terminal(self) -> bool:
        """Whether a person looks on, or somebody has said so."""
        is_asked_for = any(os.environ.get(name) for name in ("FORCE_COLOR", "TTY_COMPATIBLE"))  # by rich's names
        return (self._stream.isatty() or is_asked_for) and self.console.is_terminal

    def is_written(self, text: str) -> bool:
        """Whether a text was written as it stands, as the console would; False: the console has to draw it."""
        if len(text) > WIDE or "\t" in text or COMMANDS.search(text) or self.is_terminal:
            return False
        self._stream.write(f"{text}\n")
        self._stream.flush()
        return True


def console(*, stderr: bool = False) -> Console:
    """A console on stdout, or on stderr for progress; rich itself obeys NO_COLOR and sees whether a person looks on.

    What goes into a pipe or a file is not folded to the width of a window that is not there.
    """
    from wavewright.cli.visible_console import VisibleConsole

    stream = below(sys.stderr if stderr else sys.stdout)
    width = None if stream.isatty() or "COLUMNS" in os.environ else WIDE
    return VisibleConsole(file=stream, stderr=stderr, highlight=False, emoji=False, width=width)
