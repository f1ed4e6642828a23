"""Topics of the guide: prose in Markdown files beside the package's code, in their order."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files

from wavewright.reference.topic import Group, Topic

ORDER = (
    "runs", "unknown-lines", "watching", "own-board", "recipes", "set-ups", "calibration", "pictures", "batches",
    "production-line", "more-commands", "time-outs",
    "robustness", "speed", "caveats",
)  # fmt: skip


def topics() -> Iterator[Topic]:
    """Every page of the guide: its name is that of the file, its summary the heading."""
    folder = files("wavewright.guide")
    for name in ORDER:
        page = folder / f"{name}.md"
        heading, _, text = page.read_text(encoding="utf-8").partition("\n")
        yield Topic(Group.GUIDE, name, heading.lstrip("# "), text.strip())
