"""Plays a section of DEVELOPERS.md in a folder: writes its files, changes them, types its commands."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from tests.developers.document import ROOT, Block, changed


def furnish(folder: Path) -> None:
    """What the root of a checkout has, as far as the document's commands need it; copies, which may be written to."""
    for name in ("recipes", "sim"):
        shutil.copytree(ROOT / name, folder / name, dirs_exist_ok=True)
    (folder / "bin").mkdir(exist_ok=True)
    command = folder / "bin" / "wavewright"
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m wavewright "$@"\n')
    command.chmod(0o755)


def typed(commands: str, folder: Path, **environment: str) -> str:
    """What a terminal shows when the commands are typed in a folder that was furnished."""
    done = subprocess.run(
        ["bash", "-c", commands],
        check=False,
        cwd=folder,
        env={
            **os.environ,
            "PATH": f"{folder / 'bin'}:{os.environ['PATH']}",
            "XDG_DATA_HOME": str(folder / "data"),
            "XDG_RUNTIME_DIR": str(folder),
            "COLUMNS": "110",
            "NO_COLOR": "1",
            **environment,
        },
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    return done.stdout


def played(section: list[Block], folder: Path, **environment: str) -> Iterator[tuple[Block, Block, str]]:
    """Do what the blocks say, in order; for each output shown: the commands, the block that shows it, what came."""
    for block, after in zip(section, [*section[1:], None], strict=True):
        if block.kind == "diff":
            file = folder / block.name
            file.write_text(changed(file.read_text(encoding="utf-8"), block.text), encoding="utf-8")
        elif block.kind == "sh":
            printed = typed(block.text, folder, **environment)
            if after is not None and after.kind == "text":
                yield block, after, printed
        elif block.name:
            file = folder / block.name
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(block.text, encoding="utf-8")
