"""What commands print: prose and tables, or JSON, never both; results on stdout."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console

AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]


def print_json(result: Any) -> None:
    """One JSON document on stdout; non-finite numbers have no place in JSON and are a defect."""
    json.dump(result, sys.stdout, ensure_ascii=False, indent=2, allow_nan=False)
    sys.stdout.write("\n")


def console(*, stderr: bool = False) -> Console:
    """A console on stdout, or on stderr for progress; rich itself obeys NO_COLOR and sees whether a person looks on."""
    from rich.console import Console

    return Console(stderr=stderr, highlight=False, soft_wrap=False, emoji=False)
