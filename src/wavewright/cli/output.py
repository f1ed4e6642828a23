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


def console(*, stderr: bool = False) -> Console:
    """A console on stdout, or on stderr for progress; rich itself obeys NO_COLOR and sees whether a person looks on.

    What goes into a pipe or a file is not folded to the width of a window that is not there.
    """
    from wavewright.cli.visible_console import VisibleConsole

    stream = below(sys.stderr if stderr else sys.stdout)
    width = None if stream.isatty() or "COLUMNS" in os.environ else WIDE
    return VisibleConsole(file=stream, stderr=stderr, highlight=False, emoji=False, width=width)
