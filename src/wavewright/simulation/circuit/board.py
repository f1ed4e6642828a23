"""A simulated board: its nodes by name and by test point, read from a board file."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

import numpy as np

from wavewright.errors import FileFault, Misuse
from wavewright.simulation.circuit.nodes import Making, Node, node_kinds
from wavewright.simulation.circuit.surroundings import Surroundings
from wavewright.simulation.definition import Section, read_definition


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


def load_board(path: Path, surroundings: Surroundings, *, seed: int) -> Board:
    """The board of a file. The seed decides where within its tolerances each part lies.

    Raises
    ------
    FileFault : with file, line and column of what cannot be used.
    """
    top = read_definition(path)
    if top.text("wavewright-board") != "1":
        raise FileFault("another grammar version", where=top.place("wavewright-board"), expected="1")
    top.text("title")
    nodes: dict[str, Node] = {}
    test_points: dict[str, str] = {}
    for name, section in top.sections("nodes").items():
        generator = np.random.default_rng([seed, zlib.crc32(name.encode())])
        nodes[name] = _made(name, Making(section, surroundings, MappingProxyType(dict(nodes)), generator, seed))
        point = section.text("test_point", "")
        if point in test_points:
            raise FileFault(
                f"{point} a second time", where=section.place("test_point"), expected="one node a test point"
            )
        if point:
            test_points[point] = name
        section.finish()
    wiring = _wiring(top, nodes)
    top.finish()
    return Board(nodes, test_points, wiring)


def _made(name: str, making: Making) -> Node:
    kinds = node_kinds()
    kind = making.section.text("kind")
    if kind not in kinds:
        raise FileFault(
            f"node `{name}` of kind `{kind}`", where=making.section.place("kind"), expected=f"one of {', '.join(kinds)}"
        )
    where = making.section.place()
    try:
        node = kinds[kind](making)
        node.truth()  # what cannot be computed of it shows here, and not in the middle of a record
    except Misuse as fault:
        raise FileFault(f"node `{name}`: {fault.what}", where=where, expected=fault.expected, do=fault.do) from fault
    except (ValueError, ArithmeticError) as fault:
        raise FileFault(
            f"node `{name}` cannot be computed from its values: {fault}",
            where=where,
            expected="values that a board can have: levels in order, parts above 0",
        ) from fault
    return node


def _wiring(top: Section, nodes: Mapping[str, Node]) -> dict[int, str]:
    """Where the probes hang before anybody has moved one."""
    section = top.section("probes_at_rest")
    if strays := [number for number in section if not number.isdecimal()]:
        where = section.place(strays[0])
        raise FileFault(f"`{strays[0]}` is not the number of an input", where=where, expected="`1: node`, say")
    wiring = {int(number): section.text(number) for number in section}
    for number, name in wiring.items():
        if name not in nodes:
            place = section.place(str(number))
            raise FileFault(f"`{name}` is no node", where=place, expected=f"one of {', '.join(nodes)}")
    return wiring
