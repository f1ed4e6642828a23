"""The reference as HTML: one page per topic and an index with a search box; nothing is loaded from anywhere else."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from wavewright.durable_files import write_whole
from wavewright.errors import StorageFault
from wavewright.reference.drawing import drawing
from wavewright.reference.reference import Reference
from wavewright.reference.topic import HEADINGS, Group, Topic
from wavewright.reporting.html import render

if TYPE_CHECKING:
    from markdown_it import MarkdownIt

INDEX = "index.html"
_CODE = re.compile(r"<code>(?P<name>[^<]+)</code>")
# whose page is meant where several have one name
FIRST = (
    Group.METRIC,
    Group.FILE,
    Group.GUIDE,
    Group.BUS,
    Group.LAYER,
    Group.FUNCTION,
    Group.DOUBT,
    Group.RULE,
    Group.COMMAND,
)


def write_pages(reference: Reference, folder: Path) -> list[Path]:
    """Write every page into a folder, which is created if it does not exist; returns them, the index first.

    Raises
    ------
    StorageFault : the folder does not take them.
    """
    pages = Pages(reference)
    texts = {INDEX: pages.index()} | {file_name(topic): pages.page(topic) for topic in reference.topics}
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise StorageFault(f"cannot make the folder: {fault.strerror}", where=str(folder)) from fault
    for name, text in texts.items():
        write_whole(folder / name, text)
    return [folder / name for name in texts]


def file_name(topic: Topic) -> str:
    """Of its page; letters, digits and hyphens alone, so that every system takes it."""
    return re.sub(r"[^A-Za-z0-9]+", "-", topic.key).strip("-") + ".html"


class Pages:
    """The pages of a reference."""

    def __init__(self, reference: Reference) -> None:
        self._reference = reference

    def index(self) -> str:
        """The list of all topics by group, with a box that hides those in which a word does not occur."""
        groups = [(HEADINGS[group], self._reference.of_group(group)) for group in Group]
        return render("reference_index.html.j2", groups=groups, file_name=file_name, has_pictures=False)

    def page(self, topic: Topic) -> str:
        """One topic."""
        same = [other for other in self._reference.topics if other.name == topic.name and other is not topic]
        return render(
            "reference_page.html.j2",
            topic=topic,
            heading=HEADINGS[topic.group],
            body=self._linked(self._markdown.render(topic.text), topic),
            drawing=drawing(topic.name) if topic.group is Group.METRIC else "",
            same=same,
            file_name=file_name,
            has_pictures=False,
        )

    @cached_property
    def _markdown(self) -> MarkdownIt:
        from markdown_it import MarkdownIt

        # without HTML: `<` in a text is that sign
        return MarkdownIt("commonmark", {"html": False}).enable("table")

    @cached_property
    def _by_name(self) -> Mapping[str, Topic]:
        """Each topic by its key, and by its name where one is meant."""
        order = [topic for group in FIRST for topic in self._reference.of_group(group)]
        order += [topic for topic in self._reference.topics if topic.group not in FIRST]
        found: dict[str, Topic] = {topic.key: topic for topic in self._reference.topics}
        for topic in order:
            if topic.group is not Group.COMMAND and topic.group is not Group.GUIDE:
                found.setdefault(topic.name, topic)
            if topic.group is Group.COMMAND:
                found.setdefault(f"wavewright {topic.name}", topic)
        return found

    def _linked(self, html: str, here: Topic) -> str:
        """What stands as code and is the name of a topic, or of a command with what is given to it, leads to it."""

        def link(match: re.Match[str]) -> str:
            topic = self._meant(match["name"], here)
            if topic is None or topic is here:
                return match[0]
            return f'<a href="{file_name(topic)}">{match[0]}</a>'

        # what is in a fenced block, and a key in the table of keys, is not a word of the text
        kept = r"<pre>.*?</pre>|<tr>\s*<td><code>.*?</td>" if here.group is Group.FILE else r"<pre>.*?</pre>"
        parts = re.split(f"({kept})", html, flags=re.DOTALL)
        return "".join(part if re.match(kept, part, re.DOTALL) else _CODE.sub(link, part) for part in parts)

    def _meant(self, text: str, here: Topic) -> Topic | None:
        if here.group in (Group.BUS, Group.LAYER) and (metric := self._by_name.get(f"{Group.FRAME_METRIC} {text}")):
            return metric
        words = text.removeprefix("ww.").split()
        if words[:2] == ["wavewright", "help"] and len(words) > 2:
            words = words[2:]
        for length in range(len(words), 0, -1):
            if topic := self._by_name.get(" ".join(words[:length])):
                return topic if length == len(words) or words[0] == "wavewright" else None
        return None
