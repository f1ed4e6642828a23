"""Kinds of nodes: what a board file's `kind:` stands for. A new kind is one new file that enters its class here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
from pydantic import Field

from wavewright.errors import Misuse
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.word_fields import LocatedText
from wavewright.quantities import Interval
from wavewright.registry import Registry
from wavewright.simulation.circuit.motion import Motion
from wavewright.simulation.circuit.surroundings import Load, Surroundings

OfKind = TypeVar("OfKind")


class NodeEntry(GrammarModel):
    """A node as the board file says it; each kind of node adds keys of its own."""

    kind: str = Field(description="what sort of circuit the node belongs to", examples=["buck_rail"])
    test_point: LocatedText | None = Field(
        default=None, description="test point at which a probe finds it", examples=["TP3"]
    )


E = TypeVar("E", bound=NodeEntry)


class HangsOnUnmade(Misuse):
    """The node is connected to another that could not be made, which has been said already."""


class Node(Protocol):
    """One net of the board."""

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The node's voltage from `start` to `end`, s, with `load` on it.

        `memory`: for how many seconds before `start` whoever looks remembers. A node may go back less far where it
        is periodic; then it is at its mean before its first event.
        """

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """Two voltages between which the node stays from `start` to `end`: safe bounds, not the tightest."""

    def truth(self) -> Mapping[str, float]:
        """What measurements of this node must find, in closed form, by the name of the metric; SI units."""

    def quiet_until(self, moment: float) -> float:
        """From `moment` on nothing moves before the moment returned."""


@dataclass(frozen=True, slots=True)
class NodeContext(Generic[E]):
    """What a node is made from: its entry in the board file, the board's other nodes, and its luck in the parts."""

    entry: E
    surroundings: Surroundings
    nodes: Mapping[str, Node]
    generator: np.random.Generator
    seed: int
    unmade: frozenset[str] = frozenset()  # nodes that could not be made
    folder: Path = Path()  # of the board file

    def drawn(self, interval: Interval) -> float:
        """A value with a tolerance, as this copy of the board happens to have it: uniform within the tolerance.

        The generator is asked in any case, so that one tolerance moves no other value.
        """
        share = float(self.generator.random())
        if math.isinf(interval.low) or math.isinf(interval.high):
            raise Misuse("a tolerance with one end only", expected="`X`, `X ± P %` or `A .. B`")
        return interval.low + share * (interval.high - interval.low)

    def node(self, key: str) -> Node:
        """Another node of the board that is above this one in the file."""
        name: str = getattr(self.entry, key)
        if name in self.unmade:
            raise HangsOnUnmade(f"`{key}: {name}` could not be made")
        if name not in self.nodes:
            expected = f"one that is defined above: {', '.join(self.nodes) or 'none'}"
            raise Misuse(f"`{key}: {name}` is not a node", where=place_of(name) or "", expected=expected)
        return self.nodes[name]

    def node_of(self, key: str, kind: type[OfKind], what: str) -> OfKind:
        """Another node of the board that is above this one and is of that kind, called `what` in messages."""
        node = self.node(key)
        if not isinstance(node, kind):
            name: str = getattr(self.entry, key)
            raise Misuse(
                f"`{key}: {name}` is not a {what}",
                where=place_of(name) or "",
                expected=f"the name of a {what} that is defined above",
            )
        return node


class MakeNode(Protocol):
    """A class of nodes: what its entry holds, and how a node is made from one."""

    entry: type[NodeEntry]

    def __call__(self, making: NodeContext[Any]) -> Node:
        """The node, as this copy of the board has it."""
        ...


_kinds: Registry[MakeNode] = Registry(
    "node kind", package="wavewright.simulation.circuit", group="wavewright.node_kinds"
)
node_kind = _kinds.entering


def node_kinds() -> Mapping[str, MakeNode]:
    """Every kind of node by the name that board files use."""
    return _kinds.everything()
