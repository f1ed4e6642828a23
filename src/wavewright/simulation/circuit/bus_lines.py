"""Bus lines of the board: conversations drawn as voltages that rise and fall as drivers and probes let them."""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from typing import Annotated, ClassVar, Self

import numpy as np
from pydantic import Field, model_validator

from wavewright.buses.line.logic import Line
from wavewright.errors import Misuse
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.model_reading import refusal
from wavewright.grammar.quantity_fields import Farads, Ohms, QuantityIn, Share, Volts
from wavewright.grammar.word_fields import LocatedText
from wavewright.simulation.circuit.conversations import PACE_KEYS, SPEAKERS, Conversation, ConversationEntry
from wavewright.simulation.circuit.drivers import Power
from wavewright.simulation.circuit.edges import charged
from wavewright.simulation.circuit.motion import Floats, Motion, polyline
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.power import rail_of
from wavewright.simulation.circuit.surroundings import Load
from wavewright.simulation.encoders.impairments import jittered, off_rate

Delay = Annotated[float, QuantityIn("s", "10 ns", least=0)]


class BusLineEntry(ConversationEntry):
    """One line of a bus."""

    fed_by: LocatedText = Field(description="the rail without which there is no traffic", examples=["rail"])
    signal: LocatedText = Field(description="which line of the conversation this is", examples=["tx", "scl"])
    rate_error: Share = Field(default=0.0, description="how much too fast the sender's clock is", examples=["2 %"])
    jitter: Delay = Field(default=0.0, description="standard deviation of each edge", examples=["10 ns"])
    skew: Delay = Field(default=0.0, description="how much later than the others this line is", examples=["40 ns"])
    low: Volts = Field(default=0.0, description="voltage of the low level", examples=["0 V"])
    high: Volts = Field(default=3.3, description="voltage of the high level", examples=["3.3 V"])
    rise_resistance: Ohms = Field(description="that charges the line: pull-up, or driver")
    fall_resistance: Ohms | None = Field(
        default=None, description="that discharges the line; the same as rising if left out"
    )
    capacitance: Farads = Field(description="of the line, without a probe")

    @model_validator(mode="after")
    def _has_its_own_pace(self) -> Self:
        own = PACE_KEYS[self.says]
        for key in ("baud", "answers_after", "bit_rate"):
            if key not in own and getattr(self, key) is not None:
                raise refusal(Misuse(f"`{key}` of a line that says {self.says}", expected=f"`{'` or `'.join(own)}`"))
        return self


@node_kind("bus_line")
class BusLine:
    """One line of a bus. Nodes with the same `says` and `every` are lines of the same conversations.

    Rising with τ = R rise · (C + C probe), falling with R fall: equal for a push-pull driver, unequal for an
    open drain on a pull-up (closed form of an RC charging; math). `rate_error` is how much too fast the sender's clock
    is, `jitter` the standard deviation of each edge, `skew` how much later than the others the line is.
    """

    entry: ClassVar[type[NodeEntry]] = BusLineEntry

    def __init__(self, making: NodeContext[BusLineEntry]) -> None:
        entry = making.entry
        self._rail: Power = rail_of(making, "fed_by")
        self._signal = str(entry.signal)
        salt = zlib.crc32(entry.says.encode()) + int(making.seed) % (1 << 31)
        self.conversation = Conversation(SPEAKERS[entry.says](entry), entry.every, entry.wrong_every, salt)
        self._rate_error, self._jitter, self._skew = entry.rate_error, entry.jitter, entry.skew
        self._seed = (salt % (1 << 32), zlib.crc32(self._signal.encode()))
        known = self.conversation.lines(0)
        if self._signal not in known:
            where = place_of(entry.signal) or ""
            raise Misuse(f"`signal: {self._signal}`", where=where, expected=f"one of {', '.join(known)}")
        self._low, self._high, self._capacitance = entry.low, entry.high, entry.capacitance
        self._rise = entry.rise_resistance
        self._fall = self._rise if entry.fall_resistance is None else entry.fall_resistance
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
