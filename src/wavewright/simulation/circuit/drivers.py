"""What drives a node of no particular circuit: its source resistance, and the power without which it is at 0 V."""

from __future__ import annotations

import math
from typing import Any, Protocol, runtime_checkable

from pydantic import Field

from wavewright.errors import Misuse
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.quantity_fields import Ohms
from wavewright.grammar.word_fields import LocatedText
from wavewright.simulation.circuit.clocks import loaded
from wavewright.simulation.circuit.motion import Motion
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry
from wavewright.simulation.circuit.surroundings import Load

MOST_PERIODS = 512  # looked at before a record begins


class DrivenEntry(NodeEntry):
    """What every node of these kinds has."""

    source_resistance: Ohms = Field(default=50.0, description="of the driver, which a probe loads", examples=["50 ohm"])
    fed_by: LocatedText | None = Field(
        default=None,
        description="the feed or rail without which the node is at 0 V; always powered if left out",
        examples=["rail"],
    )


@runtime_checkable
class Power(Protocol):
    """A node that feeds others."""

    def is_up(self, moment: float) -> bool:
        """Whether it stands at its level."""

    def quiet_until(self, moment: float) -> float:
        """From `moment` on nothing moves before the moment returned."""


class AlwaysUp:
    """Power that nobody switches."""

    def is_up(self, moment: float) -> bool:
        """Always."""
        del moment
        return True

    def quiet_until(self, moment: float) -> float:
        """Nothing ever moves."""
        del moment
        return math.inf


class Driver:
    """The driver of one node: power and source resistance.

    Raises
    ------
    Misuse : `fed_by` is not the name of a node above that powers others.
    """

    def __init__(self, making: NodeContext[Any]) -> None:
        entry: DrivenEntry = making.entry
        self._resistance = entry.source_resistance
        self._power: Power = AlwaysUp() if entry.fed_by is None else power_of(making)

    def motion(self, open_circuit: Motion, start: float, load: Load) -> Motion:
        """What is left of an open-circuit voltage with a load on it; nothing without power."""
        return loaded(open_circuit, self._resistance, load) if self._power.is_up(start) else Motion()

    def is_powered(self, moment: float) -> bool:
        """Whether it is."""
        return self._power.is_up(moment)

    def power_ends(self, moment: float) -> float:
        """When the power may move next."""
        return self._power.quiet_until(moment)

    def quiet_until(self, moment: float) -> float:
        """While it is powered it may move at any time."""
        return moment if self._power.is_up(moment) else self._power.quiet_until(moment)


def power_of(making: NodeContext[Any]) -> Power:
    """The node that `fed_by` names."""
    node = making.node("fed_by")
    if not isinstance(node, Power):
        name: str = making.entry.fed_by
        expected = "a feed, a rail or a steady level that is defined above"
        raise Misuse(f"`fed_by: {name}` powers nothing", where=place_of(name) or "", expected=expected)
    return node
