"""Which bench a command works on, and a line on stderr where nobody named one."""

from __future__ import annotations

import sys
from pathlib import Path


def chosen_bench(bench: Path | None, recipe: Path | None = None) -> Path:
    """The bench file of `--bench`, or the usual one; which one that is, and why, is said before anything else."""
    from wavewright.running.shipped_files import named_or_usual

    usual = named_or_usual(bench, recipe)
    if usual.why:
        print(usual.why, file=sys.stderr, flush=True)
    return usual.path
