"""`wavewright schema recipe|bench|profile|board|instruments|faults`: the JSON Schema that editors use."""

from __future__ import annotations

from typing import Annotated

import typer

from wavewright.cli.output import print_json
from wavewright.file_kinds import FILE_KINDS, KindOfFile


def schema(kind: Annotated[KindOfFile, typer.Argument(help="Which kind of file.")]) -> None:
    """Print the JSON Schema of a kind of file, for editors.

    With it an editor completes keys and marks faults.
    """
    print_json(FILE_KINDS[kind].schema())
