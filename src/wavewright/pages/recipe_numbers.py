"""The numbers of a recipe that have a sense in turning: where each is, what it does, and how it is turned."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

import yaml

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.parameters import Condition, ReferenceLevel
from wavewright.errors import Misuse
from wavewright.pages.protocol import ShownNumber
from wavewright.pages.turning import QUANTITY, SHARE_OF_WHOLE, Turning, nice_step, turned
from wavewright.quantities import read_quantity

Path = tuple[str | int, ...]
SERIES_ROLES = {"timeout": "s", "range": "V", "span": "s", "rate": "Hz", "points": "", "bandwidth": "Hz"}
# by the last keys of a path inside a measurement: section, key, and what the number does
ROLES: Mapping[tuple[str, str], str] = {
    ("channels", "range"): "range",
    ("channels", "offset"): "offset",
    ("channels", "bandwidth_limit"): "bandwidth",
    ("timebase", "span"): "span",
    ("timebase", "rate"): "rate",
    ("timebase", "points"): "points",
    ("timebase", "before_trigger"): "delay",
    ("timebase", "cycles"): "cycles",
    ("trigger", "level"): "level",
    ("trigger", "hysteresis"): "level",
    ("trigger", "holdoff"): "delay",
    ("trigger", "timeout"): "timeout",
    ("decode", "baud"): "bit_rate",
    ("decode", "bit_rate"): "bit_rate",
    ("decode", "low"): "reference",
    ("decode", "high"): "reference",
    ("decode", "level"): "reference",
    ("persistence", "rows"): "points",
    ("persistence", "columns"): "points",
}
OUTPUT_KEYS = {
    "voltage": "V", "current_limit": "", "voltage_protection": "V", "current_protection": "", "frequency": "Hz",
    "amplitude": "V", "offset": "V", "high": "V", "low": "V", "duty_factor": "1", "symmetry": "1", "phase": "",
}  # fmt: skip
LIMITS = frozenset({"limit", "rare_shots", "violations", "gain"})


@dataclass(frozen=True, slots=True)
class TurnableNumber:
    """One number: `begin` and `end` in the text, its `path` in the tree, and what a step of it is.

    `scalar` : begin, end and quotes of the whole word that it stands in.
    """

    id: str
    path: Path
    begin: int
    end: int
    text: str
    role: str
    how: Turning
    changes_output: bool = False

    def shown(self, text: str) -> ShownNumber:
        """As the page gets it; `text` is all of the file."""
        before = text[: self.begin]
        parts = QUANTITY.fullmatch(self.text)
        return ShownNumber(
            id=self.id,
            line=len(_BREAK.findall(before)) + 1,
            column=self.begin - max((one.end() for one in _BREAK.finditer(before)), default=0) + 1,
            length=self.end - self.begin,
            text=self.text,
            unit=parts["unit"] if parts else "",
            role=self.role,
            step_up=self._after(1),
            step_down=self._after(-1),
            steps=bool(self._after(1)),
            changes_output=self.changes_output,
        )

    def _after(self, steps: int) -> str:
        try:
            return turned(self.text, steps, self.how)
        except Misuse:
            return ""


_BREAK = re.compile("\r\n|[\n\r\x85\u2028\u2029]")  # what ends a line in YAML 1.1, and so in its faults


def compose(text: str) -> yaml.MappingNode | None:
    """The nodes of a recipe, with the places of their first and last characters; None for anything but a mapping."""
    node = yaml.compose(text, Loader=yaml.SafeLoader)
    return node if isinstance(node, yaml.MappingNode) else None


def children(node: yaml.Node | None) -> Iterator[tuple[str | int, yaml.Node]]:
    """What a mapping or a list holds, by key or number."""
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            yield str(key.value), value
    elif isinstance(node, yaml.SequenceNode):
        yield from enumerate(node.value)


def child(node: yaml.Node | None, *keys: str | int) -> yaml.Node | None:
    """What is under some keys; None if there is nothing."""
    for key in keys:
        node = dict(children(node)).get(key)
    return node


def word_of(node: yaml.Node | None) -> str:
    """The word of a node; empty where it is none."""
    return str(node.value) if isinstance(node, yaml.ScalarNode) else ""


def turnable_numbers(text: str) -> tuple[TurnableNumber, ...]:
    """Every number of a recipe that can be turned, in the order of the file.

    Parameters
    ----------
    text : of a recipe, without faults of structure.
    """
    root = compose(text)
    found: dict[int, TurnableNumber] = {}
    for name, measurement in children(child(root, "measurements")):
        for one in _of_measurement(text, ("measurements", name), measurement):
            found.setdefault(one.begin, one)  # an alias leads to the same place: it is turned where it is
    for name, entry in children(child(root, "parameters")):
        node = child(entry, "default")
        if not QUANTITY.fullmatch(word_of(node)):  # words, or bytes of a message
            continue
        for one in _in_scalar(text, ("parameters", name, "default"), node, "parameter", Turning("step")):
            found.setdefault(one.begin, replace(one, changes_output=_is_used_in_stimulus(root, str(name))))
    return tuple(found[begin] for begin in sorted(found))


def _of_measurement(text: str, path: Path, node: yaml.Node) -> Iterator[TurnableNumber]:
    scales = _Scales(node)
    for section, inside in children(node):
        if section == "shots":
            yield from _in_scalar(text, (*path, section), inside, "shots", Turning("count"))
        elif section in ("timebase", "trigger", "persistence"):
            yield from _of_entry(text, (*path, section), inside, scales, section=str(section))
        elif section in ("channels", "decode", "compute", "compare", "supply", "meter"):
            for name, entry in children(inside):
                yield from _of_entry(text, (*path, section, name), entry, scales, section=str(section), name=str(name))
        elif section == "stimulus":
            yield from _of_stimulus(text, (*path, section), inside)


def _of_entry(
    text: str, path: Path, node: yaml.Node, scales: _Scales, *, section: str, name: str = ""
) -> Iterator[TurnableNumber]:
    for key, value in children(node):
        word = str(key)
        if word in LIMITS:
            yield from _in_scalar(text, (*path, key), value, "limit", Turning("step"))
        elif section == "compute" and word in _levels_of(node, name):
            channel = word_of(child(node, "of")) or scales.first
            yield from _in_scalar(text, (*path, key), value, "reference", scales.level(channel))
        elif role := ROLES.get((section, word)):
            yield from _in_scalar(text, (*path, key), value, role, scales.how(role, name))


def _of_stimulus(text: str, path: Path, node: yaml.Node) -> Iterator[TurnableNumber]:
    for number, step in children(node):
        for instrument in ("supply", "source"):
            for key, value in children(child(step, instrument)):
                if str(key) in OUTPUT_KEYS:
                    how = Turning("step", OUTPUT_KEYS[str(key)])
                    where = (*path, number, instrument, key)
                    for one in _in_scalar(text, where, value, "output", how):
                        yield replace(one, changes_output=True)


def _in_scalar(text: str, path: Path, node: yaml.Node | None, role: str, how: Turning) -> Iterator[TurnableNumber]:
    """The numbers in one word of the file, if it stands there as it is read: in one line, without escapes."""
    if not isinstance(node, yaml.ScalarNode) or node.style not in (None, "'", '"'):
        return
    begin, end = node.start_mark.index + bool(node.style), node.end_mark.index - bool(node.style)
    if text[begin:end] != node.value:
        return
    several = list(QUANTITY.finditer(node.value))
    for number, one in enumerate(several):
        if role == "limit" and "pp" in one["unit"]:
            how = Turning("step")
        identity = ".".join(map(str, path)) + (f"#{number}" if len(several) > 1 else "")
        own = Turning("step", "1", SHARE_OF_WHOLE) if role == "reference" and one["unit"] == "%" else how
        yield TurnableNumber(identity, path, begin + one.start(), begin + one.end(), one.group(), role, own)


def _levels_of(node: yaml.Node, name: str) -> frozenset[str]:
    """The options of an entry's metric that are levels, or crossings of one."""
    try:
        metric = METRICS.find(word_of(child(node, "metric")) or name)
    except Misuse:  # of frames, or misspelt
        return frozenset()
    levels = (ReferenceLevel, Condition)
    return frozenset(one.name for one in metric.parameters if _mentions(one.annotation, levels))


def _mentions(annotation: Any, kinds: tuple[type, ...]) -> bool:
    if annotation in kinds:
        return True
    return any(_mentions(part, kinds) for part in getattr(annotation, "__args__", ()))


def _is_used_in_stimulus(root: yaml.Node | None, parameter: str) -> bool:
    wanted = re.compile(rf"\${re.escape(parameter)}\b")
    return any(
        wanted.search(word)
        for _, measurement in children(child(root, "measurements"))
        for word in _words(child(measurement, "stimulus"))
    )


def _words(node: yaml.Node | None) -> Iterator[str]:
    if isinstance(node, yaml.ScalarNode):
        yield str(node.value)
    for _, inner in children(node):
        yield from _words(inner)


class _Scales:
    """What a step is measured by: the range of a channel, the span."""

    def __init__(self, measurement: yaml.Node) -> None:
        channels = dict(children(child(measurement, "channels")))
        self.first = str(next(iter(channels), ""))
        self._on = word_of(child(measurement, "trigger", "on")) or self.first
        self._ranges = {str(name): _amount(word_of(child(node, "range")), "V") for name, node in channels.items()}
        self._span = _amount(word_of(child(measurement, "timebase", "span")), "s")

    def how(self, role: str, channel: str) -> Turning:
        """How a number of a role is turned; `channel` is the one that it belongs to."""
        if role in SERIES_ROLES:
            return Turning("series", SERIES_ROLES[role])
        if role == "bit_rate":
            return Turning("rate")
        if role == "cycles":
            return Turning("count")
        if role == "delay":
            return Turning("step", "s", nice_step(SHARE_OF_WHOLE * self._span)) if self._span else Turning("step", "s")
        return self.level(self._on if role == "level" else channel)

    def level(self, channel: str) -> Turning:
        """A level on a channel: 1 % of its range."""
        whole = self._ranges.get(channel) or self._ranges.get(self.first)
        return Turning("step", "V", nice_step(SHARE_OF_WHOLE * whole) if whole else None)


def _amount(word: str, unit: str) -> Decimal | None:
    try:
        value = read_quantity(word, unit=unit).value
    except Misuse:
        return None
    return Decimal(repr(value)) if value > 0 else None
