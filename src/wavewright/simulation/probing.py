"""Probes: which node each input looks at, through which probe, and what all of them together do to the node."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from wavewright.errors import Misuse
from wavewright.quantities import read_quantity
from wavewright.simulation.circuit.board import Board
from wavewright.simulation.circuit.surroundings import UNLOADED, Load

_INPUT_RESISTANCE = 1e6
_INDUCTANCE = 1e-6  # H per metre of wire; common practice, no source
# Of the loop of tip and lead, without that of the point touched, which is in the loading of the node. No source.
_LEAD_RESISTANCE = 25.0
_LEAST_QUALITY = 0.55


@dataclass(frozen=True, slots=True)
class SimulatedProbe:
    """A probe on one input. `node` None: it hangs in the air. `bandwidth` in Hz, `capacitance` at the tip in F.

    `trim` : how far its adjustment to the input is off: a step begins so much, as a ratio, above where it ends.
    `ground_lead` : length of its ground connection, m, whose inductance rings with the capacitance of the tip.
    """

    attenuation: float = 10.0
    capacitance: float = 12e-12
    bandwidth: float = 200e6
    node: str | None = None
    trim: float = 0.0
    ground_lead: float = 0.0

    @property
    def resonance(self) -> tuple[float, float] | None:
        """At which frequency, Hz, the ground lead rings, and its quality; None where it is too short to ring."""
        inductance = _INDUCTANCE * self.ground_lead
        if not inductance or not self.capacitance:
            return None
        quality = math.sqrt(inductance / self.capacitance) / _LEAD_RESISTANCE
        if quality <= _LEAST_QUALITY:
            return None
        return 1 / (2 * math.pi * math.sqrt(inductance * self.capacitance)), quality

    def load(self, input_resistance: float) -> Load:
        """What the tip does to a node: the divider's resistance (a 1x probe: the input's own), and capacitance."""
        return Load(self.attenuation * input_resistance, self.capacitance)


DIVIDER = SimulatedProbe()
# Of a divider that is not adjusted: 9 Mohm and 1 Mohm in parallel, tip, cable and input in parallel. No source.
TRIM_TIME_CONSTANT = 0.9e6 * 110e-12
# A straight-through probe: its cable and the input lie on the node. Common practice, no source.
STRAIGHT = SimulatedProbe(attenuation=1.0, capacitance=60e-12, bandwidth=30e6)


def read_probe(settings: Mapping[str, Any]) -> SimulatedProbe:
    """A probe of a bench file's `probes:`; texts with units or plain SI numbers."""
    names = {"attenuation": "x", "capacitance": "F", "bandwidth": "Hz", "ground_lead": "m"}
    known = {key: _read(value, names[key]) for key, value in settings.items() if key in names}
    usual = STRAIGHT if known.get("attenuation") == 1.0 else SimulatedProbe()
    return SimulatedProbe(
        known.get("attenuation", usual.attenuation),
        known.get("capacitance", usual.capacitance),
        known.get("bandwidth", usual.bandwidth),
        ground_lead=known.get("ground_lead", 0.0),
    )


def _read(value: object, unit: str) -> float:
    if isinstance(value, int | float):
        return float(value)
    text = str(value)
    return float(text) if unit == "x" and text.replace(".", "", 1).isdigit() else read_quantity(text, unit=unit).value


class Probing:
    """All probes of the bench."""

    def __init__(self, board: Board, probes: Mapping[int, SimulatedProbe], *, usual: SimulatedProbe = DIVIDER) -> None:
        """`usual`: what is on an input that `probes` does not name."""
        self._board = board
        self._given = dict(probes)
        self._usual = usual
        self._probes = {n: replace(probes.get(n, usual), node=node) for n, node in board.wiring.items()}
        self.meter_node: str | None = None  # where the meter's leads were moved to; None: where its file has them

    def __getitem__(self, number: int) -> SimulatedProbe:
        return self._probes.get(number) or self._given.get(number, self._usual)

    def snapshot(self) -> Mapping[int, SimulatedProbe]:
        """The probes as they are now."""
        return dict(self._probes)

    def move(self, number: int, place: str) -> None:
        """Put a probe on a test point or on a node of that name.

        Raises
        ------
        Misuse : the board has neither.
        """
        self._probes[number] = replace(self[number], node=self._node(place))

    def move_meter(self, place: str) -> None:
        """Put the meter's leads on a test point or on a node of that name; Misuse as above."""
        self.meter_node = self._node(place)

    def _node(self, place: str) -> str:
        node = self._board.test_points.get(place.upper(), place)
        if node not in self._board.nodes:
            known = ", ".join(sorted((*self._board.test_points, *self._board.nodes)))
            raise Misuse(f"the board has no `{place}`", expected=f"one of {known}")
        return node

    def lift(self, number: int) -> None:
        """Take a probe off the board: it hangs in the air."""
        self._probes[number] = replace(self[number], node=None)

    def switch(self, number: int, attenuation: float) -> None:
        """Turn a probe to another attenuation: straight through, or back to what the bench file says of it."""
        node = self[number].node
        given = self._given.get(number, self._usual)
        if attenuation == given.attenuation:
            chosen = given
        elif attenuation == 1.0:
            chosen = replace(STRAIGHT, ground_lead=given.ground_lead)
        else:
            chosen = replace(given, attenuation=attenuation)
        self._probes[number] = replace(chosen, node=node)


def load_on(node: str, probes: Mapping[int, SimulatedProbe], input_resistances: Mapping[int, float]) -> Load:
    """Everything that is connected to a node."""
    total = UNLOADED
    for number, probe in probes.items():
        if probe.node == node:
            total = total.beside(probe.load(input_resistances.get(number, _INPUT_RESISTANCE)))
    return total
