"""Topics of the files that people write, out of their JSON Schemas: every key with what is written there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from wavewright.reference.docstring import escaped, items, parts, rendered, table
from wavewright.reference.topic import Group, Topic

Schema = Mapping[str, Any]
MOST_WORDS = 14  # that are listed in a cell of a table
PLAIN = {"string": "text", "integer": "a whole number", "number": "a number", "boolean": "true or false", "null": ""}


class SchemaTopics:
    """The topics of one kind of file: the whole of it, and each block of keys in it.

    Parameters
    ----------
    kind : `recipe`, `bench`, …
    schema : JSON Schema, draft 2020-12, whose blocks are in `$defs`.
    """

    def __init__(self, kind: str, schema: Schema) -> None:
        self._kind, self._schema = kind, schema
        self._definitions: Mapping[str, Schema] = schema.get("$defs", {})
        self._names: dict[str, str] = {}  # of a block, by the name of its definition
        self._name_blocks(schema, "")

    def topics(self) -> Iterator[Topic]:
        """The file, then its blocks in the order in which they are met."""
        told = str(self._schema.get("description", ""))
        yield Topic(Group.FILE, self._kind, _first_line(told), self._page(self._schema, told))
        for definition, name in self._names.items():
            block = self._definitions[definition]
            about = str(block.get("description", ""))
            text = f"A block of `{self._kind}`.\n\n{self._page(block, about)}"
            yield Topic(Group.FILE, f"{self._kind} {name}", _first_line(about) or f"keys of `{name}`", text)

    def _page(self, block: Schema, about: str) -> str:
        said = parts(about)
        meanings = items(said.get("Parameters", ""))
        told = [rendered(said, names={}, leave_out=("Parameters",))] if about else []
        required = block.get("required", ())
        rows = [
            (
                f"`{key}`",
                self._written(entry) or "anything",
                "required" if key in required else _default(entry),
                escaped(str(entry.get("description") or meanings.get(key, ""))),
                f"`{_yaml(entry['examples'][0])}`" if entry.get("examples") else "",
            )
            for key, entry in block.get("properties", {}).items()
        ]
        if rows:
            told.append(table(("key", "written as", "if left out", "meaning", "example"), rows))
        if isinstance(others := block.get("additionalProperties"), Mapping) and others:
            told.append(f"Any other key: {self._written(others)}.")
        return "\n\n".join(told)

    def _written(self, entry: Schema) -> str:
        """What may be at a key, in words."""
        if "$ref" in entry:
            return self._referred(str(entry["$ref"]).rsplit("/", 1)[1])
        if "const" in entry:
            return f"`{entry['const']}`"
        if "enum" in entry:
            return _one_of([str(word) for word in entry["enum"]])
        for several in ("anyOf", "oneOf", "allOf"):
            if several in entry:
                return self._alternatives(entry[several])
        if entry.get("type") == "array":
            inner = entry.get("items") or {}
            return f"a list: {told}" if (told := self._written(inner)) else "a list"
        if entry.get("type") == "object" or "properties" in entry:
            if isinstance(inner := entry.get("additionalProperties"), Mapping) and (told := self._written(inner)):
                return f"names, each with {told}"
            return "keys"
        kind = entry.get("type")
        return " or ".join(
            filter(None, (PLAIN.get(one, one) for one in ([kind] if isinstance(kind, str) else kind or ())))
        )

    def _referred(self, definition: str) -> str:
        block = self._definitions.get(definition, {})
        if definition in self._names:
            return f"keys of `{self._kind} {self._names[definition]}`"
        return self._written(block) or escaped(str(block.get("description", definition)))

    def _alternatives(self, entries: list[Schema]) -> str:
        words = [str(entry["const"]) for entry in entries if "const" in entry]
        others = [self._written(entry) for entry in entries if "const" not in entry and not _is_parameter(entry)]
        return " or ".join(dict.fromkeys(filter(None, [*([_one_of(words)] if words else []), *others])))

    def _name_blocks(self, entry: Any, key: str, parent: str = "") -> None:
        """Name each block after the key that leads to it, with the key above it where two blocks have one name."""
        if isinstance(entry, list):
            for one in entry:
                self._name_blocks(one, key, parent)
        if not isinstance(entry, Mapping):
            return
        if "$ref" in entry:
            definition = str(entry["$ref"]).rsplit("/", 1)[1]
            block = self._definitions.get(definition, {})
            if definition not in self._names and "properties" in block:
                self._names[definition] = self._unused(key or definition, parent)
                self._name_blocks(block, key)
            return
        for inner, one in entry.get("properties", {}).items():
            self._name_blocks(one, inner, key)
        for part in ("anyOf", "oneOf", "allOf", "items", "additionalProperties"):
            self._name_blocks(entry.get(part), key, parent)

    def _unused(self, name: str, parent: str) -> str:
        taken = set(self._names.values())
        above = f"{parent} {name}".strip()
        choices = (choice for n in range(2, 100) for choice in (name, above, f"{above} {n}"))
        return next(choice for choice in choices if choice not in taken)


def _is_parameter(entry: Schema) -> bool:
    """Whether it only says that `$name` may be there, as it may nearly everywhere."""
    return entry.get("pattern") == r"\$"


def _one_of(words: list[str]) -> str:
    if len(words) > MOST_WORDS:
        return f"one of {len(words)} names, `{words[0]}` to `{words[-1]}`"
    listed = ", ".join(f"`{word}`" for word in words)
    return listed if len(words) == 1 else f"one of {listed}"


def _default(entry: Schema) -> str:
    value = entry.get("default")
    if value is None or isinstance(value, Mapping) or value in ("", [], ()):
        return ""
    return f"`{str(value).lower() if isinstance(value, bool) else value}`"


def _yaml(value: Any) -> str:
    """A value as it stands after its key, in one line."""
    import yaml

    told = yaml.safe_dump(value, allow_unicode=True, default_flow_style=True, sort_keys=False, width=10_000)
    return str(told).removesuffix("...\n").strip()


def _first_line(text: str) -> str:
    return text.strip().split("\n")[0]
