"""The supervisor's open-drain reset on its pull-up resistor."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, ClassVar

from pydantic import Field

from wavewright.grammar.quantity_fields import Farads, Ohms, ToleranceIn, Volts
from wavewright.grammar.word_fields import LocatedText
from wavewright.quantities import Interval
from wavewright.simulation.circuit.edges import charged
from wavewright.simulation.circuit.motion import Motion, polyline
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.power import rail_of
from wavewright.simulation.circuit.slew import Point, crossings_of, extremes_of, level_at
from wavewright.simulation.circuit.surroundings import Load

_DEAD_RAIL = 1.0  # V: below it the supervisor's transistor no longer conducts, and the node follows the rail


class ResetEntry(NodeEntry):
    """A supervisor's open-drain reset."""

    pulled_to: LocatedText = Field(
        description="the rail that is watched, and that the pull-up goes to", examples=["rail"]
    )
    hold: Annotated[Interval, ToleranceIn("s", "2.2 ms ± 10 %")] = Field(description="how long the reset is held")
    works_at: Volts = Field(description="rail voltage from which on the supervisor works")
    fails_below: Volts = Field(description="rail voltage below which the reset is given again")
    pull_up: Ohms = Field(description="the pull-up resistor")
    capacitance: Farads = Field(description="of the node, without a probe")
    on_resistance: Ohms = Field(description="of the open-drain output while it holds the node low")
    low: Volts = Field(description="voltage of the node while it is held low")


@node_kind("open_drain_reset")
class OpenDrainReset:
    """Low from the moment the supervisor works until `hold` later, and again when the rail fails.

    At power-up the node follows the rail through the pull-up until the supervisor wakes at `works_at`. It rises with
    τ = R pull-up · C, where the probe's capacitance adds to C (closed form of an RC charging; math).
    """

    entry: ClassVar[type[NodeEntry]] = ResetEntry

    def __init__(self, making: NodeContext[ResetEntry]) -> None:
        entry = making.entry
        self._rail = rail_of(making, "pulled_to")
        self.hold = making.drawn(entry.hold)
        self._works_at, self._fails_below = entry.works_at, entry.fails_below
        self._pull_up, self._capacitance = entry.pull_up, entry.capacitance
        self._on_resistance, self._low = entry.on_resistance, entry.low

    def _phases(self, corners: list[Point]) -> list[tuple[float, str]]:
        """What the node does from when on: `follow` the rail, be `low`, be `released`."""
        state = "released" if corners[0][1] >= self._fails_below else "follow"
        found = [(-math.inf, state)]
        events = [(time, "rise" if rising else "fall") for time, rising in crossings_of(corners, self._works_at)]
        events += [(time, "fails") for time, rising in crossings_of(corners, self._fails_below) if not rising]
        events += [(time, "dead") for time, rising in crossings_of(corners, _DEAD_RAIL) if not rising]
        for time, what in sorted(events):
            if found[-1][0] > time:  # it failed before the hold was over
                found.pop()
            if what == "rise" and found[-1][1] != "released":
                found += [(time, "low"), (time + self.hold, "released")]
            elif what == "fails":
                found.append((time, "low"))
            elif what == "dead":
                found.append((time, "follow"))
        return found

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The node's voltage."""
        del start, end, memory
        corners = self._rail.corners()
        times, volts = self._points(corners, self._phases(corners), load)
        ideal = polyline(times, volts)
        rising = self._pull_up * (self._capacitance + load.capacitance) * load.share(self._pull_up)
        falling = self._on_resistance * (self._capacitance + load.capacitance)
        return charged(ideal, rising, falling)

    def _points(
        self, corners: list[Point], phases: list[tuple[float, str]], load: Load
    ) -> tuple[list[float], list[float]]:
        share = load.share(self._pull_up)
        ends = [*(time for time, _ in phases[1:]), math.inf]
        points: list[Point] = []
        for (begin, state), finish in zip(phases, ends, strict=True):
            if state == "low":
                points += [(begin, self._low), (finish, self._low)]
                continue
            inner = [(time, share * volts) for time, volts in corners if begin < time < finish]
            if begin > -math.inf:
                points.append((begin, share * level_at(corners, begin, corners[0][1])))
            points += inner
            if finish < math.inf:
                points.append((finish, share * level_at(corners, finish, corners[0][1])))
        finite = [point for point in points if math.isfinite(point[0])]
        return [time for time, _ in finite], [volts for _, volts in finite]

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """Between ground and the rail."""
        corners = self._rail.corners()
        return 0.0, max(self._low, extremes_of(corners, start - self.hold, end, corners[0][1])[1])

    def truth(self) -> Mapping[str, float]:
        """The time from 30 % falling to 70 % rising, unloaded: hold, less the fall to 30 %, plus the rise to 70 %."""
        level = self._rail.level
        rising, falling = self._pull_up * self._capacitance, self._on_resistance * self._capacitance
        rise = rising * math.log((level - self._low) / (level - 0.7 * level))
        fall = falling * math.log((self._works_at - self._low) / (0.3 * level - self._low))
        return {"time_between": self.hold + rise - fall, "high_level": level}

    def quiet_until(self, moment: float) -> float:
        """The next time the supervisor or the rail does something; it may still be settling from the last."""
        corners = self._rail.corners()
        settling = 40 * self._pull_up * self._capacitance
        moments = sorted([time for time, _ in corners] + [time for time, _ in self._phases(corners)])
        if any(time <= moment <= time + settling for time in moments):
            return moment
        level = level_at(corners, moment, corners[0][1])
        if level not in (0.0, self._rail.level):  # the rail is on its way, and the node may be following
            return moment
        return next((time for time in moments if time > moment), math.inf)
