"""`wavewright examples FOLDER`: write the recipes and the simulated bench that come with the package."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wavewright.cli.output import AsJson, print_json


def examples(
    folder: Annotated[
        Path, typer.Argument(help="Folder to write `recipes`, `sim` and `schemas` into; created if it does not exist.")
    ],
    force: Annotated[bool, typer.Option("--force", help="Overwrite files that exist already.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write example recipes and a simulated bench to a folder.

    They are those that come with the package. Their schemas are written too.
    """
    from wavewright.editor_schemas import write_examples

    written = write_examples(folder, overwrite=force)
    if as_json:
        print_json([str(path) for path in written])
    else:
        print(*written, sep="\n")
