"""A topic on a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.markdown import Heading, Markdown
from rich.padding import Padding
from rich.text import Text

from wavewright.reference.reference import Reference
from wavewright.reference.topic import HEADINGS, Group, Topic

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult

WIDTH = 100


class _PlainHeading(Heading):
    """A heading on the left, underlined."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield Text(self.text.plain, style="bold")
        yield Text("─" * len(self.text.plain))


class _Page(Markdown):
    elements: ClassVar = {**Markdown.elements, "heading_open": _PlainHeading}


def show(topic: Topic, console: Console) -> None:
    """Print a topic: its heading, then its text."""
    text = f"{topic.name} ({topic.group})" if topic.name != topic.group else topic.name
    _print(console, Text(text, style="bold"), "", _Page(topic.text, code_theme="bw"))


def show_list(reference: Reference, console: Console) -> None:
    """Print the names of all topics by group."""
    told: list[RenderableType] = []
    for group in Group:
        if topics := reference.of_group(group):
            names = ", ".join(topic.name for topic in topics)
            told += [Text(HEADINGS[group], style="bold"), Padding(Text(names), (0, 0, 1, 2))]
    _print(
        console, *told, "`wavewright help TOPIC` shows one of them; `wavewright help --html DIR` writes all as pages."
    )


def _print(console: Console, *told: RenderableType) -> None:
    """At a width that can be read; lines in a pipe end where their text ends."""
    with console.capture() as printed:
        console.print(*told, sep="\n", width=min(WIDTH, console.width))
    text = printed.get()
    console.file.write(text if console.is_terminal else "".join(f"{line.rstrip()}\n" for line in text.splitlines()))
