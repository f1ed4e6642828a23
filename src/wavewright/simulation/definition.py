"""Definition files of the simulated bench: YAML mappings whose every fault is told with file, line and column."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import yaml

from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.located_yaml import read_text
from wavewright.quantities import Interval, read_interval, read_quantity

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # ten times as fast where libyaml is there


class Section:
    """One mapping of a definition file. Every reading method names the place of what it cannot use.

    A key that nobody has read by the time `finish` is called is a fault: it is misspelt, or of no effect.
    """

    def __init__(self, node: yaml.MappingNode, file: str) -> None:
        self._node, self._file = node, file
        self._entries: dict[str, tuple[yaml.Node, yaml.Node]] = {}
        self._read: set[str] = set()
        for key, value in node.value:
            name = str(key.value)
            if name in self._entries:
                raise FileFault(f"key `{name}` a second time", where=self._place(key), do="remove one of the two")
            self._entries[name] = (key, value)

    def __contains__(self, key: str) -> bool:
        return key in self._entries

    def __iter__(self) -> Iterator[str]:
        return iter(self._entries)

    def place(self, key: str = "") -> Place:
        """Where a key stands; without a key, where the mapping begins."""
        return self._place(self._entries[key][0] if key in self._entries else self._node)

    def _place(self, node: yaml.Node) -> Place:
        return Place(self._file, node.start_mark.line + 1, node.start_mark.column + 1)

    def text(self, key: str, default: str | None = None) -> str:
        """The text of a key; FileFault where it is missing and has no default."""
        node = self._value(key)
        if node is None:
            if default is None:
                known = ", ".join(self._entries) or "nothing"
                raise FileFault(f"key `{key}` is missing", where=self._place(self._node), expected=f"beside {known}")
            return default
        if not isinstance(node, yaml.ScalarNode):
            raise FileFault(f"`{key}` is not one value", where=self._place(node), expected="a text or a number")
        return str(node.value)

    def quantity(self, key: str, unit: str, default: float | None = None) -> float:
        """A quantity in SI units, such as `340 kHz`."""
        self._read.add(key)
        if key not in self and default is not None:
            return default
        text = self.text(key)
        with self._placed(key):
            return read_quantity(text, unit=unit).value

    def whole_number(self, key: str, default: int | None = None, *, most: int) -> int:
        """A number of things, from 0 to `most`."""
        value = self.quantity(key, "", None if default is None else float(default))
        if not value.is_integer() or not 0 <= value <= most:
            raise FileFault(
                f"`{key}: {self.text(key)}` cannot be",
                where=self.place(key),
                expected=f"a whole number, at most {most}",
            )
        return int(value)

    def interval(self, key: str, unit: str, default: str | None = None) -> Interval:
        """A quantity with a tolerance, such as `340 kHz ± 1 %`; without one both ends are the same."""
        text = self.text(key, default)
        with self._placed(key):
            if "±" in text or ".." in text:
                return read_interval(text, unit=unit)
            value = read_quantity(text, unit=unit).value
            return Interval(value, value, unit)

    def quantities(self, key: str, unit: str) -> tuple[float, ...]:
        """A list of quantities."""
        with self._placed(key):
            return tuple(read_quantity(text, unit=unit).value for text in self.texts(key))

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts; an absent key is an empty list."""
        node = self._value(key)
        if node is None:
            return ()
        if not isinstance(node, yaml.SequenceNode):
            raise FileFault(f"`{key}` is not a list", where=self._place(node), expected="[one, another]")
        return tuple(str(item.value) for item in node.value)

    def section(self, key: str) -> Section:
        """The mapping below a key; FileFault where there is none."""
        node = self._value(key)
        if not isinstance(node, yaml.MappingNode):
            where = self._place(node or self._node)
            raise FileFault(
                f"`{key}` is missing, or not a mapping", where=where, expected=f"`{key}:` with keys below it"
            )
        return Section(node, self._file)

    def sections(self, key: str) -> dict[str, Section]:
        """The mappings below a mapping, by name; empty where the key is absent."""
        if key not in self:
            return {}
        below = self.section(key)
        return {name: below.section(name) for name in below}

    def plain(self, key: str) -> Any:
        """Whatever stands below a key, as plain YAML values."""
        node = self._value(key)
        return None if node is None else yaml.SafeLoader("").construct_object(node, deep=True)

    def finish(self) -> None:
        """Refuse keys that nobody has read."""
        for name, (key, _) in self._entries.items():
            if name not in self._read:
                near = get_close_matches(name, self._read, 1)
                raise FileFault(
                    f"unknown key `{name}`",
                    where=self._place(key),
                    expected=f"one of {', '.join(sorted(self._read))}",
                    do=f"did you mean `{near[0]}`?" if near else "remove it",
                )

    def _value(self, key: str) -> yaml.Node | None:
        self._read.add(key)
        return self._entries[key][1] if key in self._entries else None

    def _placed(self, key: str) -> _Placed:
        node = self._entries[key][1] if key in self._entries else self._node
        return _Placed(self._place(node), key)


class _Placed:
    """Gives a Misuse that arises inside the block the place of the key that is read."""

    def __init__(self, place: Place, key: str) -> None:
        self._place, self._key = place, key

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, fault: BaseException | None, trace: object) -> None:
        if isinstance(fault, Misuse):
            raise FileFault(
                f"`{self._key}`: {fault.what}", where=self._place, expected=fault.expected, do=fault.do
            ) from fault


def read_definition(path: Path) -> Section:
    """The top mapping of a YAML file.

    Raises
    ------
    FileFault : no such file, not YAML, or not a mapping.
    """
    try:
        node = yaml.compose(read_text(path), Loader=_LOADER)
    except OSError as fault:
        raise FileFault(f"cannot be read: {fault.strerror}", where=str(path)) from fault
    except (yaml.YAMLError, UnicodeDecodeError) as fault:
        mark = getattr(fault, "problem_mark", None)
        where = Place(str(path), mark.line + 1, mark.column + 1) if mark else Place(str(path))
        raise FileFault(f"not YAML: {getattr(fault, 'problem', fault)}", where=where) from fault
    if not isinstance(node, yaml.MappingNode):
        raise FileFault("not a mapping", where=Place(str(path), 1, 1), expected="`key: value` lines")
    return Section(node, str(path))
