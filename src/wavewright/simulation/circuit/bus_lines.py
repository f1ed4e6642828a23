"""Bus lines of the board: conversations drawn as voltages that rise and fall as drivers and probes let them."""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping

import numpy as np

from wavewright.buses.line.logic import Line
from wavewright.errors import Misuse
from wavewright.simulation.circuit.conversations import KINDS, Conversation
from wavewright.simulation.circuit.edges import charged
from wavewright.simulation.circuit.motion import Floats, Motion, polyline
from wavewright.simulation.circuit.nodes import Making, node_kind
from wavewright.simulation.circuit.power import rail_of
from wavewright.simulation.circuit.surroundings import Load
from wavewright.simulation.encoders.impairments import jittered, off_rate


@node_kind("bus_line")
class BusLine:
    """One line of a bus. Nodes with the same `says` and `every` are lines of the same conversations.

    Rising with τ = R rise · (C + C probe), falling with R fall: equal for a push-pull driver, unequal for an
    open drain on a pull-up (closed form of an RC charging; math). `rate_error` is how much too fast the sender's clock
    is, `jitter` the standard deviation of each edge, `skew` how much later than the others the line is.
    """

    def __init__(self, making: Making) -> None:
        section = making.section
        self._rail = rail_of(making, "fed_by")
        says, self._signal = section.text("says"), section.text("signal")
        if says not in KINDS:
            raise Misuse(f"`says: {says}`", expected=f"one of {', '.join(KINDS)}")
        salt = zlib.crc32(says.encode()) + int(making.seed) % (1 << 31)
        wrong_every = int(section.quantity("wrong_every", "", 0.0))
        self.conversation = Conversation(KINDS[says](section), section.quantity("every", "s"), wrong_every, salt)
        self._rate_error = section.quantity("rate_error", "1", 0.0)
        self._jitter, self._skew = section.quantity("jitter", "s", 0.0), section.quantity("skew", "s", 0.0)
        if self._jitter < 0 or self._skew < 0:
            raise Misuse(f"`jitter` or `skew` of `{self._signal}` is negative", expected="0 s or more")
        self._seed = (salt % (1 << 32), zlib.crc32(self._signal.encode()))
        known = self.conversation.lines(0)
        if self._signal not in known:
            raise Misuse(f"`signal: {self._signal}`", expected=f"one of {', '.join(known)}")
        self._low, self._high = section.quantity("low", "V", 0.0), section.quantity("high", "V", 3.3)
        self._rise = section.quantity("rise_resistance", "ohm")
        self._fall = section.quantity("fall_resistance", "ohm", self._rise)
        self._capacitance = section.quantity("capacitance", "F")
        self._lasts = max(off_rate(line, self._rate_error).end for line in known.values()) + self._skew

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The line's voltage."""
        if not self._rail.is_up(start):
            return Motion()
        every = self.conversation.every
        first = max(0, math.floor((start - memory - self._lasts) / every))
        numbers = range(first, max(first, math.floor(end / every)) + 1)
        begins_high = self.conversation.lines(first)[self._signal].first
        times = self._changes(numbers)
        highs = (np.arange(len(times)) % 2 == 0) ^ begins_high  # the state alternates at each change
        levels = np.where(highs, self._high, self._low)
        before = self._high if begins_high else self._low
        volts = np.stack((np.concatenate(([before], levels[:-1])), levels), axis=1).ravel()
        capacitance = self._capacitance + load.capacitance
        if not len(times):
            return Motion(before * load.share(self._rise))
        line = polyline(np.repeat(times, 2)[1:], volts[1:]).settled_on(before)
        rising, falling = self._rise * capacitance * load.share(self._rise), self._fall * capacitance
        return charged(line.scaled(load.share(self._rise)), rising, falling)

    def _changes(self, numbers: range) -> Floats:
        """Moments of all changes; a line that a conversation left elsewhere goes to where the next one begins."""
        times: list[float] = []
        level: bool | None = None
        for number in numbers:
            line, offset = self._line(number), number * self.conversation.every + self._skew
            if level is not None and line.first != level:
                times.append(line.start + offset)
            times.extend((line.times + offset).tolist())
            level = line.first ^ bool(line.times.size & 1)
        return np.array(times)

    def _line(self, number: int) -> Line:
        """The line of one conversation as its sender's clock has it; the same every time."""
        line = self.conversation.lines(number)[self._signal]
        if self._rate_error:
            line = off_rate(line, self._rate_error)
        return jittered(line, self._jitter, np.random.default_rng([*self._seed, number])) if self._jitter else line

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """Between the two states, and ground while the rail is down."""
        del start, end
        return min(0.0, self._low, self._high), max(self._low, self._high)

    def truth(self) -> Mapping[str, float]:
        """Levels, and the 10–90 % rise time: ln 9 · τ."""
        return {
            "high_level": self._high,
            "low_level": self._low,
            "rise_time": math.log(9) * self._rise * self._capacitance,
        }

    def quiet_until(self, moment: float) -> float:
        """Between two conversations."""
        if not self._rail.is_up(moment):
            return self._rail.quiet_until(moment)
        every = self.conversation.every
        number = math.floor(moment / every)
        settling = 40 * max(self._rise, self._fall) * self._capacitance
        is_talking = moment - number * every <= self._lasts + settling
        return moment if is_talking else (number + 1) * every
