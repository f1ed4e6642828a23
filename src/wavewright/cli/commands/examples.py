"""`wavewright examples FOLDER`: write the recipes and the simulated bench that come with the package."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from wavewright.cli.output import AsJson, print_json
from wavewright.errors import Misuse


def examples(
    folder: Annotated[
        Path | None,
        typer.Argument(help="Folder to write `recipes`, `sim` and `schemas` into; created if it does not exist."),
    ] = None,
    board: Annotated[
        Path | None,
        typer.Option(
            "--board",
            help="Write a board with a node of each kind, for you to change, into this file, and a bench beside it.",
        ),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite files that exist already.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write example recipes and a simulated bench to a folder.

    They are those that come with the package. Their schemas are written too.
    """
    from wavewright.editor_schemas import write_board, write_examples

    if (folder is None) == (board is None):
        what = "neither a folder nor a board" if folder is None else "both a folder and a board"
        raise Misuse(f"`examples` with {what}", expected="FOLDER, or `--board FILE`: one of the two")
    if board is not None:
        written = write_board(board, overwrite=force)
        next_step = f"look at it: wavewright look --bench {written[1]}"
    else:
        assert folder is not None
        written, next_step = write_examples(folder, overwrite=force), ""
    if next_step:
        print(next_step, file=sys.stderr)
    if as_json:
        print_json([str(path) for path in written])
    else:
        print(*written, sep="\n")
