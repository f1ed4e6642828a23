"""Topics of the guide: prose in Markdown files beside the package's code, in their order."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files

from wavewright.reference.topic import Group, Topic


def topics() -> Iterator[Topic]:
    """Every page of the guide: its name is that of the file, its summary the heading."""
    pages = [page for page in files("wavewright.guide").iterdir() if page.name.endswith(".md")]
    for page in sorted(pages, key=lambda page: page.name):
        heading, _, text = page.read_text(encoding="utf-8").partition("\n")
        yield Topic(Group.GUIDE, page.name.removesuffix(".md"), heading.lstrip("# "), text.strip())
