"""The coil: its half-bridge driver, which follows the source's signal, and the terminal that flies back."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from wavewright.grammar.quantity_fields import Henries, Hertz, Ohms, Seconds, ToleranceIn, Volts
from wavewright.grammar.word_fields import LocatedText
from wavewright.quantities import Interval
from wavewright.simulation.circuit.edges import Edges, quiet_until, signal_edges
from wavewright.simulation.circuit.motion import Complexes, Floats, Motion, polyline
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.power import FeedNode
from wavewright.simulation.circuit.slew import level_at
from wavewright.simulation.circuit.surroundings import Load, Surroundings

_FEWEST_PERIODS, _MOST_PERIODS = 2, 512  # examined before a record begins


def driven_edges(surroundings: Surroundings, threshold: float, start: float, end: float, memory: float) -> Edges:
    """Moments at which the driver's input crosses its threshold, from some periods before `start`."""
    period = 1.0 / max(surroundings.signal.at(end).frequency, 1e-3)
    lead = min(max(memory, _FEWEST_PERIODS * period), _MOST_PERIODS * period)
    return signal_edges(surroundings.signal, threshold, start - lead, end)


class HalfBridgeEntry(NodeEntry):
    """A half bridge that follows the source's signal."""

    fed_by: LocatedText = Field(description="the feed of the bridge", examples=["feed"])
    threshold: Volts = Field(description="input voltage at which the bridge switches")
    delay: Seconds = Field(description="time from input to output")
    overshoot: Annotated[Interval, ToleranceIn("1", "4.5 % ± 0.5 pp")] = Field(description="of a step at the output")
    ring_frequency: Hertz = Field(description="frequency at which the output rings after a step")
    source_resistance: Ohms = Field(description="of the output, which a probe loads")


@node_kind("half_bridge")
class HalfBridge:
    """The driver's output: it follows its input after a delay as a second-order system answers a step.

    Overshoot of a step, exp(−πζ/√(1 − ζ²)), sets the damping ζ (closed form of the second-order step response; math).
    """

    entry: ClassVar[type[NodeEntry]] = HalfBridgeEntry

    def __init__(self, making: NodeContext[HalfBridgeEntry]) -> None:
        entry = making.entry
        feed = making.node_of("fed_by", FeedNode, "feed")
        self._feed, self._surroundings = feed, making.surroundings
        self.threshold, self.delay = entry.threshold, entry.delay
        self.overshoot = making.drawn(entry.overshoot)
        self._ring, self._resistance = entry.ring_frequency, entry.source_resistance

    @property
    def damping(self) -> float:
        """ζ."""
        log = math.log(self.overshoot)
        return -log / math.sqrt(math.pi**2 + log**2)

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The driver's output voltage; its source resistance and the load make one more pole."""
        edges = driven_edges(self._surroundings, self.threshold, start, end, memory)
        times = edges.times + self.delay
        corners = self._feed.corners()
        levels = np.array([level_at(corners, time, self._feed.standby) for time in times])
        levels *= edges.rising
        steps = np.diff(
            np.concatenate(([0.0 if edges.begins_low else level_at(corners, start, self._feed.standby)], levels))
        )
        base = float(level_at(corners, start, self._feed.standby) * (not edges.begins_low))
        ideal = Motion(base, times, steps, np.zeros_like(steps), self._ringing(steps)).scaled(
            load.share(self._resistance)
        )
        if memory:
            ideal = ideal.settled_on(
                edges.share_high(start) * float(levels.max(initial=0.0)) * load.share(self._resistance)
            )
        loading = load.parallel(self._resistance) * load.capacitance
        return ideal.low_passed(1 / (2 * math.pi * loading)) if loading else ideal

    def _ringing(self, steps: Floats) -> dict[complex, Complexes]:
        """−step · e^(−ζωt) · (cos ω d t + ζ/√(1 − ζ²) · sin ω d t), as one complex mode."""
        damping = self.damping
        root = math.sqrt(1 - damping**2)
        damped = 2 * math.pi * self._ring
        pole = complex(-damped * damping / root, damped)
        return {pole: (-steps * complex(1.0, -damping / root)).astype(np.complex128)}

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """The feed's level, with room for overshoot and undershoot."""
        highest = self._feed.reach(start - 1.0, end)[1]
        margin = 1.5 * self.overshoot * highest
        return -margin, highest + margin

    def truth(self) -> Mapping[str, float]:
        """Levels and overshoot; the duty factor and the frequency are the source's."""
        return {"overshoot": self.overshoot, "high_level": self._feed.standby, "low_level": 0.0}

    def quiet_until(self, moment: float) -> float:
        """Never quiet while the source runs."""
        return quiet_until(self._surroundings.signal, moment)


class CoilTerminalEntry(NodeEntry):
    """The low side of a coil, which flies back to a clamp."""

    driven_by: LocatedText = Field(description="the half bridge that drives the coil", examples=["drive"])
    fed_by: LocatedText = Field(description="the feed at the coil's high side", examples=["feed"])
    inductance: Henries = Field(description="of the coil")
    resistance: Ohms = Field(description="of the coil's winding")
    clamp: Volts = Field(description="voltage at which the clamp holds the terminal")
    transition: Seconds = Field(description="duration of a transition of the terminal")


@node_kind("coil_terminal")
class CoilTerminal:
    """The low side of the valve coil: at ground while the driver is on, at the clamp while the current decays.

    Current: towards U/R with τ = L/R while on; towards −(U clamp − U)/R while the clamp holds (closed form; math).
    """

    entry: ClassVar[type[NodeEntry]] = CoilTerminalEntry

    def __init__(self, making: NodeContext[CoilTerminalEntry]) -> None:
        entry = making.entry
        bridge = making.node_of("driven_by", HalfBridge, "half bridge")
        feed = making.node_of("fed_by", FeedNode, "feed")
        self._bridge, self._feed, self._surroundings = bridge, feed, making.surroundings
        self._inductance, self._resistance = entry.inductance, entry.resistance
        self.clamp, self._transition = entry.clamp, entry.transition

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The terminal's voltage. A probe does not load it: the clamp and the coil are far stronger."""
        del load, memory
        edges = driven_edges(self._surroundings, self._bridge.threshold, start, end, 0.0)
        feed = max(level_at(self._feed.corners(), start, self._feed.standby), 1e-3)
        points = [
            (
                start - 1.0 if not len(edges.times) else edges.times[0] - self._transition,
                feed if edges.begins_low else 0.0,
            )
        ]
        current, since = 0.0, points[0][0]
        for time, rising in zip(edges.times, edges.rising, strict=True):
            if rising:
                points += [(time, points[-1][1]), (time + self._transition, 0.0)]
            else:
                current = self._risen(current, feed, time - since)
                lasts = self.flyback_duration(current, feed)
                points += [(time, 0.0), (time + self._transition, self.clamp), (time + lasts, self.clamp)]
                points.append((time + lasts + self._transition, feed))
                current = 0.0
            since = time
        ordered = _cut_where_overlapping(points)
        return polyline([time for time, _ in ordered], [volts for _, volts in ordered])

    def _risen(self, current: float, feed: float, seconds: float) -> float:
        final = feed / self._resistance
        return final + (current - final) * math.exp(-seconds * self._resistance / self._inductance)

    def flyback_duration(self, current: float, feed: float) -> float:
        """How long the clamp holds after a current was switched off: τ · ln(1 + I·R/(U clamp − U)), s."""
        return self._inductance / self._resistance * math.log1p(current * self._resistance / (self.clamp - feed))

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """Between ground and the clamp."""
        del start, end
        return 0.0, self.clamp

    def truth(self) -> Mapping[str, float]:
        """The clamp's level."""
        return {"maximum": self.clamp}

    def quiet_until(self, moment: float) -> float:
        """As the driver."""
        return self._bridge.quiet_until(moment)


def _cut_where_overlapping(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """A new switching action ends what the last one had still planned."""
    kept: list[tuple[float, float]] = []
    for time, volts in points:
        while kept and kept[-1][0] > time:
            kept.pop()
        kept.append((time, volts))
    return kept
