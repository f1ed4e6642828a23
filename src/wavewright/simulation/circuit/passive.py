"""Parts between a node and another: a low-pass of resistor and capacitor, a divider of two resistors."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import ClassVar

from pydantic import Field

from wavewright.errors import Misuse
from wavewright.grammar.quantity_fields import Farads, Ohms
from wavewright.grammar.word_fields import LocatedText
from wavewright.simulation.circuit.clocks import loaded
from wavewright.simulation.circuit.motion import Motion
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.surroundings import UNLOADED, Load

SETTLED = 40.0  # time constants that a filter is looked at before a record


class LowPassEntry(NodeEntry):
    """A resistor from another node, and a capacitor to ground."""

    of: LocatedText = Field(description="the node in front of the resistor", examples=["drive"])
    resistance: Ohms = Field(description="of the resistor", examples=["10 kohm"])
    capacitance: Farads = Field(description="of the capacitor", examples=["100 nF"])


@node_kind("rc")
class LowPass:
    """Another node after a resistor and a capacitor: corner 1/(2π R C); the load of a probe counts (math).

    The node in front is taken as stiff: this one does not load it.
    """

    entry: ClassVar[type[NodeEntry]] = LowPassEntry

    def __init__(self, making: NodeContext[LowPassEntry]) -> None:
        entry = making.entry
        self._of = making.node("of")
        self._resistance, self._capacitance = entry.resistance, entry.capacitance
        if not entry.resistance * entry.capacitance > 0:
            raise Misuse("a low-pass without resistance or capacitance", expected="both above 0")

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """What the filter leaves of the node in front."""
        whole = load.beside(Load(capacitance=self._capacitance))
        longer = memory + SETTLED * self._resistance * whole.capacitance
        return loaded(self._of.motion(start, end, UNLOADED, longer), self._resistance, whole)

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """That of the node in front: a low-pass of the first order never goes beyond."""
        return self._of.reach(start, end)

    def truth(self) -> Mapping[str, float]:
        """The mean of the node in front."""
        mean = self._of.truth().get("mean")
        return {} if mean is None else {"mean": mean}

    def quiet_until(self, moment: float) -> float:
        """As the node in front, and not before it has settled."""
        quiet = self._of.quiet_until(moment)
        settling = SETTLED * self._resistance * self._capacitance
        return quiet if self._of.quiet_until(moment - settling) > moment else moment


class DividerEntry(NodeEntry):
    """Two resistors, from another node to this and from this to ground."""

    of: LocatedText = Field(description="the node above the upper resistor", examples=["feed"])
    upper: Ohms = Field(description="resistor to that node", examples=["90 kohm"])
    lower: Ohms = Field(description="resistor to ground", examples=["10 kohm"])


@node_kind("divider")
class Divider:
    """A part of another node's voltage: lower/(upper + lower), out of both in parallel (math).

    The node above is taken as stiff: the divider does not load it.
    """

    entry: ClassVar[type[NodeEntry]] = DividerEntry

    def __init__(self, making: NodeContext[DividerEntry]) -> None:
        entry = making.entry
        self._of = making.node("of")
        if not entry.upper + entry.lower > 0:
            raise Misuse("a divider without resistance", expected="resistors above 0")
        self.ratio = entry.lower / (entry.upper + entry.lower)
        self._resistance = self.ratio * entry.upper

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The part of the voltage."""
        open_circuit = self._of.motion(start, end, UNLOADED, memory).scaled(self.ratio)
        return loaded(open_circuit, self._resistance, load)

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """That of the node above, divided."""
        low, high = self._of.reach(start, end)
        return self.ratio * low, self.ratio * high

    def truth(self) -> Mapping[str, float]:
        """What scales with the voltage, divided; times as they are."""
        scaled = {"mean", "peak_to_peak", "ac_rms", "minimum", "maximum", "low_level", "high_level"}
        return {
            name: self.ratio * value if name in scaled else value
            for name, value in self._of.truth().items()
            if math.isfinite(value)
        }

    def quiet_until(self, moment: float) -> float:
        """As the node above."""
        return self._of.quiet_until(moment)
