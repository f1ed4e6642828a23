"""YAML with places: every key and every value of a file knows the line and the column where it is.

Only the plain part of YAML 1.2 is read: mappings, lists, words. `true`, `false` and `null` are the only words with
a meaning of their own (so `on: rail` and `output: off` are words), and **a number stays the text that is
there**, because a number without its unit means nothing to us. There are no tags, no merge keys, no second document.
Every fault of structure is found before anybody looks at the content.

The only walk over YAML there is, on the events of PyYAML: libyaml parses the largest recipe in 0.4 ms, PyYAML's own
parser, which only words the complaints, in 9 ms, and ruamel.yaml, which keeps places as well, in 24 ms (measured).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

from wavewright.errors import FileFault, Place
from wavewright.grammar.yaml_syntax import syntax_fault

LARGEST_FILE = 256 * 1024  # bytes; the largest recipe in use has about 10 000
DEEPEST = 24  # mappings and lists within each other
_FAST: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
MOST_VALUES = 50_000  # with every alias written out
_HALF_A_PAIR = re.compile("[\ud800-\udfff]")  # an escape such as "\\ud800" can spell one; UTF-8 cannot hold it


class YamlScalar(str):
    """A scalar with the place where it is; `is_quoted` if it was in quotes or in a block of text."""

    __slots__ = ("is_quoted", "place")
    place: Place
    is_quoted: bool

    def __new__(cls, text: str, place: Place, *, is_quoted: bool = False) -> YamlScalar:
        """A word of that text at that place."""
        word = super().__new__(cls, text)
        word.place, word.is_quoted = place, is_quoted
        return word

    @property
    def inside(self) -> Place:
        """Where its first character is: after the quote, if there is one."""
        return Place(self.place.file, self.place.line, self.place.column + self.is_quoted)

    def __reduce__(self) -> tuple[type[str], tuple[str]]:  # pickles as plain text
        return str, (str(self),)


class YamlMapping(dict[str, "Node"]):
    """A mapping; its keys are words, so each has a place of its own."""

    def __init__(self, place: Place) -> None:
        super().__init__()
        self.place = place

    def key_place(self, key: str) -> Place:
        """Where a key is; the block's own place if it has no such key."""
        return next((word.place for word in self if word == key and isinstance(word, YamlScalar)), self.place)

    def value_place(self, key: str) -> Place:
        """Where the value of a key is; the key's place if nothing follows it."""
        return place_of(self.get(key)) or self.key_place(key)

    def mapping_at(self, key: str) -> YamlMapping:
        """The mapping under a key; an empty one if something else is there, or nothing."""
        value = self.get(key)
        return value if isinstance(value, YamlMapping) else YamlMapping(self.value_place(key))

    def list_at(self, key: str) -> YamlList:
        """The list under a key; an empty one if something else is there, or nothing."""
        value = self.get(key)
        return value if isinstance(value, YamlList) else YamlList(self.value_place(key))

    def scalar_at(self, key: str) -> YamlScalar | None:
        """The word that a key has; None if something else is there, or nothing."""
        value = self.get(key)
        return value if isinstance(value, YamlScalar) else None


class YamlList(list["Node"]):
    """A list, with the place where it begins."""

    def __init__(self, place: Place) -> None:
        super().__init__()
        self.place = place


Node = YamlScalar | bool | YamlMapping | YamlList | None


def place_of(node: object) -> Place | None:
    """Where a node is; None for `true`, `false`, `null`, and for whatever does not come from a file."""
    return getattr(node, "place", None)


def text_of(value: YamlScalar | bool) -> str:
    """The text that stands for a single value."""
    return str(value).lower() if isinstance(value, bool) else str(value)


def without_places(node: Node) -> Any:
    """A value without its places: words are text, lists become tuples."""
    if isinstance(node, YamlMapping):
        return {str(key): without_places(inner) for key, inner in node.items()}
    if isinstance(node, YamlList):
        return tuple(without_places(item) for item in node)
    return str(node) if isinstance(node, YamlScalar) else node


def read_text(path: str | Path, *, largest: int = LARGEST_FILE) -> str:
    """The text of a file that people write, without the byte order mark that editors on Windows put at its head.

    Parameters
    ----------
    largest : bytes that it may have.

    Raises
    ------
    FileFault : it is not there, a folder, not readable, too large, not text.
    """
    name, file = str(path), Path(path)
    try:
        if file.is_dir():
            raise FileFault("this is a folder", where=name, expected="a text file", do="name a file in it")
        with file.open("rb") as stream:
            content = stream.read(largest + 1)
    except FileNotFoundError as fault:
        raise FileFault(
            "there is no such file", where=name, do="check the path; it is relative to the current folder"
        ) from fault
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault)
        raise FileFault(f"cannot be read: {reason}", where=name, expected="a readable file") from fault
    if len(content) > largest:
        raise FileFault("too large for a file written by hand", where=name, expected=f"at most {largest // 1024} KiB")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        before = content[: fault.start].decode("utf-8", errors="replace")
        place = Place(name, before.count("\n") + 1, len(before) - before.rfind("\n"))
        what = f"byte 0x{content[fault.start]:02X} is not text in UTF-8"
        raise FileFault(what, where=place, expected="a text file in UTF-8", do="save it as UTF-8") from fault


def parse_tree(text: str, file: str) -> YamlMapping:
    """The tree of a YAML text whose top is a mapping.

    Parameters
    ----------
    file : the name for messages.

    Raises
    ------
    FileFault : one for a text that is not YAML, or all faults of structure at once.
    """
    is_plain = "\t" not in text and "\ufeff" not in text  # which the two parsers take differently
    composer, tree = _composed(text, file, _FAST) if is_plain else (None, None)
    if composer is None:
        composer, tree = _composed(text, file, yaml.SafeLoader)
    assert composer is not None
    if composer.faults:
        raise FileFault.joined(composer.faults)
    if not isinstance(tree, YamlMapping):
        found = (
            "is empty"
            if tree is None
            else "is a list"
            if isinstance(tree, YamlList)
            else f"is the text `{str(tree)[:40]}`"
        )
        raise FileFault(
            f"the file {found}", where=place_of(tree) or Place(file), expected="keys with values, `key: value`"
        )
    return tree


def _composed(text: str, file: str, loader: Any) -> tuple[_Composer | None, Node]:
    """The tree, and what composed it, faults and all; None for a text that libyaml refuses, to be read once more."""
    composer = _Composer(file)
    try:
        return composer, composer.document(yaml.parse(text, Loader=loader))
    except _Stop:
        pass  # noted already
    except yaml.YAMLError as fault:
        if loader is not yaml.SafeLoader:
            return None, None
        composer.faults.append(syntax_fault(fault, text, file))
    return composer, None


class _Stop(yaml.YAMLError):
    """Nothing further can be read; the fault is noted already."""


class _Composer:
    """Builds the tree from parser events, with limits on depth and on what aliases blow up to."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._anchors: dict[str, Node] = {}
        self._sizes: dict[str, int] = {}
        self._count = 0
        self.faults: list[FileFault] = []

    def document(self, events: Iterator[yaml.Event]) -> Node:
        tree: Node = None
        documents = 0
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._note("a second document begins here", event, expected="one document in a file")
                    break
            elif isinstance(event, yaml.NodeEvent):
                tree = self._node(event, events, depth=1)
        return tree

    def _node(self, event: yaml.Event, events: Iterator[yaml.Event], *, depth: int) -> Node:
        place = self._place(event)
        if isinstance(event, yaml.AliasEvent):
            return self._aliased(event)
        if depth > DEEPEST:
            self._stop("nested too deeply", event, expected=f"at most {DEEPEST} levels")
        assert isinstance(event, _WithTag), event
        self._add(1, event)
        if event.tag is not None and event.tag != "!":
            self._note(f"tag `{event.tag}`", event, expected="plain values without a tag", do="remove the tag")
        before = self._count
        if event.anchor is not None:
            self._sizes[event.anchor] = 0  # open: an alias inside would never end
        if isinstance(event, yaml.MappingStartEvent):
            node: Node = self._block(YamlMapping(place), events, depth=depth)
        elif isinstance(event, yaml.SequenceStartEvent):
            node = self._row(YamlList(place), events, depth=depth)
        else:
            node = _scalar(event, place)
            if not event.value.isascii() and (half := _HALF_A_PAIR.search(event.value)):
                self._note(
                    f"character U+{ord(half[0]):04X} is not text", event, expected="letters, digits and punctuation"
                )
        if event.anchor is not None:
            self._anchors[event.anchor] = node
            self._sizes[event.anchor] = self._count - before + 1
        return node

    def _block(self, block: YamlMapping, events: Iterator[yaml.Event], *, depth: int) -> YamlMapping:
        while not isinstance(event := next(events), yaml.MappingEndEvent):
            key = self._node(event, events, depth=depth + 1)
            value = self._node(next(events), events, depth=depth + 1)
            if not isinstance(key, YamlScalar):
                shown = (
                    {True: "true", False: "false", None: "null"}.get(key) if not isinstance(key, (dict, list)) else ""
                )
                do = f'write `"{shown}":` if the word itself is meant' if shown else ""
                self._note(
                    f"`{shown}` as a key" if shown else "a key that is not a word", event, expected="a word", do=do
                )
            elif key == "<<" and not key.is_quoted:
                self._note("a merge key, `<<`", event, expected="keys without `<<`", do="write the keys out")
            elif key in block:
                first = block.key_place(key)
                self._note(f"key `{key}` again", event, expected=f"each key once; the first is in line {first.line}")
            else:
                block[key] = value
        return block

    def _row(self, row: YamlList, events: Iterator[yaml.Event], *, depth: int) -> YamlList:
        while not isinstance(event := next(events), yaml.SequenceEndEvent):
            row.append(self._node(event, events, depth=depth + 1))
        return row

    def _aliased(self, event: yaml.AliasEvent) -> Node:
        anchor = str(event.anchor)
        size = self._sizes.get(anchor)
        if size is None:
            self._note(f"alias `*{anchor}` without its anchor", event, expected=f"an anchor `&{anchor}` above it")
            return None
        if size == 0:
            self._stop(f"alias `*{anchor}` contains itself", event, expected="values that come to an end")
        self._add(size, event)
        return self._anchors[anchor]

    def _add(self, size: int, event: yaml.Event) -> None:
        self._count += size
        if self._count > MOST_VALUES:
            self._stop("too many values, aliases written out", event, expected=f"at most {MOST_VALUES} in a file")

    def _place(self, event: yaml.Event) -> Place:
        mark = event.start_mark
        return Place(self._file, mark.line + 1, mark.column + 1) if mark else Place(self._file)

    def _note(self, what: str, event: yaml.Event, *, expected: str = "", do: str = "") -> None:
        self.faults.append(FileFault(what, where=self._place(event), expected=expected, do=do))

    def _stop(self, what: str, event: yaml.Event, *, expected: str) -> None:
        self._note(what, event, expected=expected)
        raise _Stop


_WithTag = (yaml.ScalarEvent, yaml.SequenceStartEvent, yaml.MappingStartEvent)


def _scalar(event: yaml.ScalarEvent, place: Place) -> YamlScalar | bool | None:
    is_plain = event.implicit[0]
    meanings = {"": None, "~": None, "null": None, "true": True, "false": False}
    if is_plain and event.value in meanings:
        return meanings[event.value]
    return YamlScalar(event.value, place, is_quoted=not is_plain)
