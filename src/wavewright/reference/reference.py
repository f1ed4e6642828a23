"""The whole reference, and how a topic of it is found."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from wavewright.errors import Misuse
from wavewright.nearest import did_you_mean
from wavewright.reference.topic import Group, Topic


class Reference:
    """All topics.

    Parameters
    ----------
    commands : topics of the command line, which knows them.
    schemas : JSON Schema of each kind of file by its name.
    """

    def __init__(self, commands: Iterable[Topic], schemas: Mapping[str, Mapping[str, Any]]) -> None:
        from wavewright.reference import entries, guide_topics, node_topics, python_topics
        from wavewright.reference.schema_topics import SchemaTopics

        found = [*guide_topics.topics(), *commands, *entries.topics(), *node_topics.topics(), *python_topics.topics()]
        for kind, schema in schemas.items():
            told = list(SchemaTopics(kind, schema).topics())
            if kind == "board":
                told[0] = node_topics.with_kinds(told[0])
            found += told
        order = list(Group)
        self.topics: Sequence[Topic] = sorted(found, key=lambda topic: order.index(topic.group))
        self._by_key = {topic.key: topic for topic in self.topics}
        if len(self._by_key) < len(found):
            raise Misuse("two topics of the reference have one name")

    def find(self, name: str) -> list[Topic]:
        """The topics that a name means: of this key or name, else those whose last word it is.

        Raises
        ------
        Misuse : there is none; with the nearest name.
        """
        asked = " ".join(name.replace("`", "").split()).removeprefix("ww.").removeprefix("wavewright ")
        if asked in self._by_key:
            return [self._by_key[asked]]
        found = [topic for topic in self.topics if topic.name == asked]
        found = found or [topic for topic in self.topics if topic.name.split()[-1] == asked]
        found = found or [topic for topic in self.topics if topic.name.lower() == asked.lower()]
        if not found:
            known = sorted({topic.name for topic in self.topics})
            raise Misuse(
                f"no topic `{asked}`",
                expected=did_you_mean(asked, known) or "a topic that `wavewright help` lists",
                do="`wavewright help` lists the topics",
            )
        return found

    def of_group(self, group: Group) -> list[Topic]:
        """Its topics in their order."""
        return [topic for topic in self.topics if topic.group is group]
