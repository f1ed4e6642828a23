"""A simulated board: its nodes by name and by test point, read from a board file."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.alternatives import ChosenBy
from wavewright.grammar.located_yaml import YamlMapping, parse_tree, place_of, read_text
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import validated
from wavewright.grammar.word_fields import Count, Line, LocatedText, VersionOne
from wavewright.simulation.circuit.nodes import HangsOnUnmade, Node, NodeContext, NodeEntry, node_kinds
from wavewright.simulation.circuit.surroundings import Surroundings


class Board:
    """A board and everything that can be probed on it.

    Parameters
    ----------
    nodes : by name, in the order of the board file.
    test_points : name of the node by test point, `TP3`.
    """

    def __init__(self, nodes: Mapping[str, Node], test_points: Mapping[str, str], wiring: Mapping[int, str]) -> None:
        self.nodes: Mapping[str, Node] = MappingProxyType(dict(nodes))
        self.test_points: Mapping[str, str] = MappingProxyType(dict(test_points))
        self.wiring: Mapping[int, str] = MappingProxyType(dict(wiring))

    def truth(self) -> dict[str, dict[str, float]]:
        """What a measurement of each node must find: metric by metric, SI units, unloaded and at the nominal feed."""
        return {name: dict(node.truth()) for name, node in self.nodes.items()}


def _entries() -> Mapping[str, type[NodeEntry]]:
    return {name: make.entry for name, make in node_kinds().items()}


class BoardFile(GrammarModel):
    """A simulated board: its nodes, and where the probes hang."""

    version: VersionOne = Field(alias="wavewright-board", description="version of the grammar: 1")
    title: Line = Field(description="what board this is", examples=["VC-204 irrigation valve controller"])
    probes_at_rest: dict[Count, LocatedText] = Field(
        description="the node to which each input's probe is connected at first",
        examples=[{"1": "rail", "2": "reset"}],
    )
    nodes: dict[str, Annotated[NodeEntry, ChosenBy("kind", _entries, "node")]] = Field(
        default_factory=dict,
        description="the nodes by name; a node that feeds another comes before it",
        examples=[{"stimulus": {"kind": "source_terminal", "source_resistance": "50 ohm", "transition": "10 ns"}}],
    )


def load_board(path: Path, surroundings: Surroundings, *, seed: int) -> Board:
    """The board of a file. The seed decides where within its tolerances each part lies.

    Raises
    ------
    FileFault : all that cannot be used, with file, line and column.
    """
    tree = parse_tree(read_text(path), str(path))
    file = validated(tree, BoardFile)
    faults: list[FileFault] = []
    nodes: dict[str, Node] = {}
    unmade: frozenset[str] = frozenset()
    for name, entry in file.nodes.items():
        generator = np.random.default_rng([seed, zlib.crc32(name.encode())])
        making = NodeContext(
            entry, surroundings, MappingProxyType(dict(nodes)), generator, seed, unmade, folder=path.parent
        )
        try:
            nodes[name] = _made(name, making, where=tree.mapping_at("nodes").mapping_at(name).place)
        except HangsOnUnmade:
            unmade |= {name}
        except FileFault as fault:
            unmade |= {name}
            faults.append(fault)
    if not faults:  # what is connected to a node that could not be made is not to blame
        faults += _stray_probes(file, tree)
    faults += _shared_test_points(file)
    if faults:
        raise FileFault.joined(faults)
    test_points = {str(entry.test_point): name for name, entry in file.nodes.items() if entry.test_point}
    wiring = {number: str(name) for number, name in file.probes_at_rest.items()}
    return Board(nodes, test_points, wiring)


def _made(name: str, making: NodeContext[Any], *, where: Place) -> Node:
    try:
        node = node_kinds()[making.entry.kind](making)
        node.truth()  # what cannot be computed of it shows here, and not in the middle of a record
    except HangsOnUnmade:
        raise
    except Misuse as fault:
        what = f"node `{name}`: {fault.what}"
        raise FileFault(what, where=fault.where or where, expected=fault.expected, do=fault.do) from fault
    except (ValueError, ArithmeticError) as fault:
        raise FileFault(
            f"node `{name}` cannot be computed from its values: {fault}",
            where=where,
            expected="values that a board can have: levels in order, parts above 0",
        ) from fault
    return node


def _shared_test_points(file: BoardFile) -> Iterator[FileFault]:
    seen: set[str] = set()
    for entry in file.nodes.values():
        if entry.test_point in seen:
            where = place_of(entry.test_point) or ""
            yield FileFault(f"{entry.test_point} is used twice", where=where, expected="one node per test point")
        seen |= {str(entry.test_point)} if entry.test_point else set()


def _stray_probes(file: BoardFile, tree: YamlMapping) -> Iterator[FileFault]:
    for number, name in file.probes_at_rest.items():
        if name not in file.nodes:
            where = place_of(name) or tree.mapping_at("probes_at_rest").key_place(str(number))
            yield FileFault(f"`{name}` is not a node", where=where, expected=f"one of {', '.join(file.nodes)}")
