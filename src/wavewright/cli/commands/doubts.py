"""`wavewright doubts`: what stops a reading from passing, when, what it means, and what to do."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from wavewright.cli.output import AsJson, print_json

if TYPE_CHECKING:
    from wavewright.analysis.doubts import Doubt

WIDTH = 100


def doubts(as_json: AsJson = False) -> None:
    """List the doubts that a reading can have.

    Each with the condition that raises it, its meaning, the remedy, and the readings that it affects.

    A doubt that affects a reading makes a pass inconclusive. A recipe lets it pass with `doubts: {clipped: allow}`
    at its head, in a measurement or in an entry.
    """
    from wavewright.analysis.doubts import doubts as catalogue

    if as_json:
        print_json([described(doubt) for doubt in catalogue().values()])
        return
    print("\n".join(line for doubt in catalogue().values() for line in _lines(doubt)))


def described(doubt: Doubt) -> dict[str, Any]:
    """One doubt as plain words."""
    return {
        "name": doubt.value,
        "threshold": doubt.threshold,
        "meaning": doubt.meaning,
        "cure": doubt.cure,
        "bears_on": [str(part) for part in doubt.parts],
    }


def _lines(doubt: Doubt) -> list[str]:
    parts = ", ".join(part.replace("_", " ") for part in described(doubt)["bears_on"])
    told = (
        ("when", doubt.threshold),
        ("means", doubt.meaning),
        ("remedy", doubt.cure),
        ("affects", "every reading" if parts == "anything" else f"readings of: {parts}"),
    )
    lines = [doubt.value]
    for word, text in told:
        lines += textwrap.wrap(text, WIDTH, initial_indent=f"  {word:<8}", subsequent_indent=" " * 10)
    return [*lines, ""]
