"""The board's 24 V terminal and the buck rail after it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import Field

from wavewright.grammar.quantity_fields import Henries, Ohms, Seconds, Share, ToleranceIn, Volts
from wavewright.grammar.word_fields import LocatedText
from wavewright.quantities import Interval
from wavewright.simulation.circuit.motion import Motion, polyline
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.slew import Point, crossings_of, extremes_of, level_at, slewed
from wavewright.simulation.circuit.surroundings import Feed, Load

_RIPPLE_PERIODS_BEFORE = 16  # the fast poles of a front end have settled by then; slow ones see the mean, which is 0
_LONG_AGO = -1.0


class FeedEntry(NodeEntry):
    """The board's supply terminal."""

    standby_feed: Volts = Field(description="voltage of the fixture's own feed, before the bench supply is switched")
    board_resistance: Ohms = Field(description="what the board as a whole draws: current = voltage / resistance")
    rise: Seconds = Field(description="time in which the terminal comes up when the feed is switched on")
    fall: Seconds = Field(description="time in which the terminal is discharged when the feed is switched off")


@node_kind("feed")
class FeedNode:
    """The board's supply terminal. The supply's current limit folds it back: U = min(U set, I limit · R board).

    Until somebody switches the bench supply's output after a reset, the fixture's own standby feed is through.
    """

    entry: ClassVar[type[NodeEntry]] = FeedEntry

    def __init__(self, making: NodeContext[FeedEntry]) -> None:
        entry = making.entry
        self._surroundings = making.surroundings
        self.standby, self._resistance = entry.standby_feed, entry.board_resistance
        self._up, self._down = entry.rise, entry.fall

    def final(self, feed: Feed) -> float:
        """The voltage at which the terminal comes to rest, V."""
        if feed.is_standby:
            return self.standby
        return min(feed.voltage, feed.current_limit * self._resistance) if feed.is_on else 0.0

    def is_up(self, moment: float) -> bool:
        """True when the terminal has at least half of the standby voltage."""
        corners = self.corners()
        return level_at(corners, moment, corners[0][1]) >= self.standby / 2

    def current(self, feed: Feed) -> float:
        """The current that the board draws from the bench supply, A."""
        return 0.0 if feed.is_standby else self.final(feed) / self._resistance

    def is_limited(self, feed: Feed) -> bool:
        """True when the supply's current limit holds the voltage down."""
        return feed.is_on and not feed.is_standby and feed.current_limit * self._resistance < feed.voltage

    def targets(self) -> list[Point]:
        """What the terminal heads for, from when on."""
        states = self._surroundings.feed.since(-math.inf)
        return [(max(moment, _LONG_AGO), self.final(feed)) for moment, feed in states]

    def corners(self) -> list[Point]:
        """Corner points of the voltage, from the beginning to rest."""
        targets = self.targets()
        return slewed(targets, up=self.standby / self._up, down=self.standby / self._down, first=targets[0][1])

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The terminal's voltage; its source resistance is too low for a probe to matter."""
        del start, end, load, memory
        times, volts = zip(*self.corners(), strict=True)
        return polyline(times, volts)

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """From the corners."""
        return extremes_of(self.corners(), start, end, self.standby)

    def truth(self) -> Mapping[str, float]:
        """The level with the standby feed."""
        return {"mean": self.standby}

    def quiet_until(self, moment: float) -> float:
        """The next corner."""
        return _next_corner(self.corners(), moment)


def _next_corner(corners: list[Point], moment: float) -> float:
    for (before, low), (after, high) in pairwise(corners):
        if before <= moment < after and low != high:
            return moment
    return next((time for time, _ in corners if time > moment), math.inf)


class BuckRailEntry(NodeEntry):
    """A rail after a step-down converter."""

    fed_by: LocatedText = Field(description="the feed of the converter", examples=["feed"])
    level: Annotated[Interval, ToleranceIn("V", "3.3 V ± 1 %")] = Field(description="voltage of the rail")
    frequency: Annotated[Interval, ToleranceIn("Hz", "340 kHz ± 2 %")] = Field(description="switching frequency")
    inductance: Henries = Field(description="of the converter's inductor")
    series_resistance: Annotated[Interval, ToleranceIn("ohm", "62 mohm ± 5 %")] = Field(
        description="of the output capacitor; the inductor's ripple current makes the ripple in it"
    )
    starts_at: Volts = Field(description="feed voltage from which on the converter works")
    start_delay: Seconds = Field(description="time from there until the rail begins to rise")
    soft_start: Seconds = Field(description="time in which the rail rises from 0 to its level")
    fall: Seconds = Field(description="time in which the rail falls from its level to 0")
    drop_out_ratio: Share = Field(default=0.9, description="largest ratio of rail to feed")


@node_kind("buck_rail")
class BuckRail:
    """A rail after a step-down converter: soft start, ripple of the switching frequency, drop-out, fall.

    Ripple: the inductor current's ripple U·(1 − D)/(L·f), D = U/U in, on the output capacitor's series resistance
    (ideal step-down converter in continuous conduction; math).
    """

    entry: ClassVar[type[NodeEntry]] = BuckRailEntry

    def __init__(self, making: NodeContext[BuckRailEntry]) -> None:
        entry = making.entry
        self._feed = making.node_of("fed_by", FeedNode, "feed")
        self.level = making.drawn(entry.level)
        self.frequency = making.drawn(entry.frequency)
        self._inductance = entry.inductance
        self._series_resistance = making.drawn(entry.series_resistance)
        self._starts_at, self._start_delay = entry.starts_at, entry.start_delay
        self._up, self._down = entry.soft_start, entry.fall
        self._drop_out = entry.drop_out_ratio

    def corners(self) -> list[Point]:
        """Corner points of the rail without ripple."""
        feed_corners = self._feed.corners()
        targets: list[Point] = []
        for moment, volts in self._feed.targets():
            if not targets:
                targets.append((moment, self._target(volts)))
                continue
            passes = [time for time, _ in crossings_of(feed_corners, self._starts_at) if time >= moment]
            reached = passes[0] if passes else moment
            # on: the converter starts a delay after its input is there; off: it lets go when the input has gone
            late = reached + self._start_delay if volts >= self._starts_at else reached
            targets.append((max(late, targets[-1][0]), self._target(volts)))
        return slewed(targets, up=self.level / self._up, down=self.level / self._down, first=targets[0][1])

    def is_up(self, moment: float) -> bool:
        """True when the rail is at its level."""
        corners = self.corners()
        return level_at(corners, moment, corners[0][1]) == self.level

    def _target(self, feed: float) -> float:
        return min(self.level, self._drop_out * feed) if feed >= self._starts_at else 0.0

    def ripple(self, feed: float) -> float:
        """Peak-to-peak ripple at an input voltage, V."""
        current = self.level * (1 - self.level / feed) / (self._inductance * self.frequency)
        return current * self._series_resistance

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The rail's voltage; its source resistance is too low for a probe to matter."""
        del load, memory
        corners = self.corners()
        times, volts = zip(*corners, strict=True)
        slow = polyline(times, volts)
        pieces = [self._triangle(*spell) for spell in self._regulated_spells(corners, start, end)]
        for piece in pieces:
            slow = slow.plus(piece)
        return slow

    def _regulated_spells(self, corners: list[Point], start: float, end: float) -> list[tuple[float, float]]:
        """Intervals between `start` and `end` in which the converter regulates, so that there is ripple."""
        lead = _RIPPLE_PERIODS_BEFORE / self.frequency
        edges = [*corners, (math.inf, corners[-1][1])]
        spells = []
        for (before, low), (after, high) in pairwise(edges):
            if low == high == self.level and after > start - lead and before < end:
                spells.append((max(before, start - lead), min(after, end + 1 / self.frequency)))
        return spells

    def _triangle(self, start: float, end: float) -> Motion:
        feed = max(level_at(self._feed.corners(), start, self._feed.standby), self.level * 1.05)
        duty, period = self.level / feed, 1 / self.frequency
        first = math.ceil(start / period)
        valleys = np.arange(first, max(first + 1, math.floor(end / period)))
        times = np.stack((valleys, valleys + duty), axis=1).ravel() * period
        volts = np.tile([-0.5, 0.5], len(valleys)) * self.ripple(feed)
        # it begins and ends on its mean, half-way up and half-way down a slope
        begin, stop = times[0] - 0.5 * (1 - duty) * period, times[-1] + 0.5 * (1 - duty) * period
        return polyline(np.concatenate(([begin], times, [stop])), np.concatenate(([0.0], volts, [0.0])))

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """From the corners, with ripple on top."""
        corners = self.corners()
        low, high = extremes_of(corners, start, end, corners[0][1])
        ripple = self.ripple(max(self._feed.reach(start, end)[1], self.level * 1.05))
        return low - ripple, high + ripple

    def truth(self) -> Mapping[str, float]:
        """Level, ripple and its tone."""
        return {
            "mean": self.level,
            "peak_to_peak": self.ripple(self._feed.standby),
            "strongest_tone": self.frequency,
            "ac_rms": self.ripple(self._feed.standby) / (2 * math.sqrt(3)),
        }

    def quiet_until(self, moment: float) -> float:
        """While the converter runs it is never quiet."""
        corners = self.corners()
        if level_at(corners, moment, corners[0][1]) == self.level:
            return moment
        return _next_corner(corners, moment)


def rail_of(making: NodeContext[Any], key: str) -> BuckRail:
    """The rail that a node is connected to."""
    return making.node_of(key, BuckRail, "rail")
