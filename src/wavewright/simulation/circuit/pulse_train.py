"""Pulses that repeat themselves: a train, with modulated width, or in bursts."""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import Field

from wavewright.grammar.quantity_fields import Hertz, Seconds, Share, ToleranceIn, Volts
from wavewright.grammar.word_fields import Count, CountFrom
from wavewright.quantities import Interval
from wavewright.simulation.circuit.drivers import MOST_PERIODS, DrivenEntry, Driver
from wavewright.simulation.circuit.edges import Edges, drawn, scattered
from wavewright.simulation.circuit.motion import Floats, Motion, Sinusoid
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.noise import normal
from wavewright.simulation.circuit.surroundings import Load

MOST_DRAWN = 200_000  # periods that are drawn edge by edge
MOST_HARMONICS = 40
LEAST_WIDTH = 0.02  # of a period; a modulated pulse never vanishes


class PulseEntry(DrivenEntry):
    """What all trains of pulses have."""

    frequency: Annotated[Interval, ToleranceIn("Hz", "10 kHz ± 1 %")] = Field(
        description="repetition frequency", examples=["10 kHz ± 1 %"]
    )
    duty_factor: Annotated[Interval, ToleranceIn("1", "40 %")] = Field(
        default=Interval(0.5, 0.5, "1"), description="high time over period", examples=["40 %"]
    )
    low: Volts = Field(default=0.0, description="voltage of the low level", examples=["0 V"])
    high: Volts = Field(default=3.3, description="voltage of the high level", examples=["5 V"])
    transition: Seconds = Field(
        default=10e-9, description="duration of a transition, from 0 to 100 %", examples=["10 ns"]
    )


class PulseTrainEntry(PulseEntry):
    """Pulses that repeat themselves."""

    jitter: Seconds = Field(default=0.0, description="standard deviation of each edge", examples=["1 ns"])
    missing_every: Annotated[int, CountFrom(0)] = Field(
        default=0, description="one pulse in this many is missing; 0: none", examples=[1000]
    )
    runt_every: Annotated[int, CountFrom(0)] = Field(
        default=0, description="one pulse in this many reaches half its height; 0: none", examples=[1000]
    )
    glitch_every: Annotated[int, CountFrom(0)] = Field(
        default=0, description="one period in this many has a short pulse in its low part; 0: none", examples=[500]
    )
    glitch_width: Seconds = Field(default=100e-9, description="duration of that short pulse", examples=["100 ns"])


class PulsesBase:
    """What all trains of pulses share: levels, driver, edges drawn as a voltage."""

    entry: ClassVar[type[NodeEntry]] = PulseEntry

    def __init__(self, making: NodeContext[Any]) -> None:
        entry: PulseEntry = making.entry
        self.frequency, self.duty_factor = making.drawn(entry.frequency), making.drawn(entry.duty_factor)
        self._low, self._high, self._transition = entry.low, entry.high, entry.transition
        self._driver = Driver(making)
        self._salt = np.uint64(making.generator.integers(1 << 62))

    def _periods(self, start: float, end: float, memory: float) -> Floats:
        """The numbers of the periods that a record needs."""
        before = min(max(2, math.ceil(memory * self.frequency)), MOST_PERIODS)
        first, last = math.floor(start * self.frequency) - before, math.ceil(end * self.frequency) + 1
        return np.arange(max(first, last - MOST_DRAWN), last).astype(float)

    def _is_one_in(self, every: int, turns: Floats, kind: int) -> np.ndarray[Any, np.dtype[np.bool_]]:
        """Whether a fault that one period in this many has is in each of some periods; it follows from the seed."""
        if not every:
            return np.zeros(turns.size, bool)
        numbers = scattered(turns.astype(np.int64).astype(np.uint64) + self._salt + np.uint64(kind << 40))
        return np.asarray(numbers % np.uint64(every) == 0, bool)

    def _drawn(self, rises: Floats, falls: Floats) -> Motion:
        """The voltage with these edges; it begins low."""
        times = np.concatenate((rises, falls))
        order = np.argsort(times, kind="stable")
        rising = np.concatenate((np.ones(rises.size, bool), np.zeros(falls.size, bool)))[order]
        return drawn(Edges(times[order], rising, True), low=self._low, high=self._high, transition=self._transition)

    def _settled(self, line: Motion) -> Motion:
        """On the mean before the first event, where a slow filter looks back further than the edges go."""
        return line.settled_on(self._low + self.duty_factor * (self._high - self._low))

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """Between the two levels, and 0 V without power."""
        del start, end
        return min(0.0, self._low, self._high), max(0.0, self._low, self._high)

    def quiet_until(self, moment: float) -> float:
        """Never quiet while it is powered."""
        return self._driver.quiet_until(moment)


@node_kind("pulse_train")
class PulseTrain(PulsesBase):
    """Pulses that repeat themselves: a clock, a chopper, a heartbeat. With jitter and rare faults where wanted."""

    entry: ClassVar[type[NodeEntry]] = PulseTrainEntry

    def __init__(self, making: NodeContext[PulseTrainEntry]) -> None:
        super().__init__(making)
        entry = making.entry
        self._jitter = float(entry.jitter)
        self._missing, self._runts, self._glitches = entry.missing_every, entry.runt_every, entry.glitch_every
        self._glitch = entry.glitch_width

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The pulses, each edge where its period and its jitter put it; of very many, what is regular of them."""
        if (end - start) * self.frequency > MOST_DRAWN:
            return self._driver.motion(self._harmonics(), start, load)
        turns = self._periods(start, end, memory)
        kept = turns[~self._is_one_in(self._missing, turns, 1)]
        is_runt = self._is_one_in(self._runts, kept, 2)
        rises, falls = self._edges(kept, 0.0), self._edges(kept, self.duty_factor)
        spikes = turns[self._is_one_in(self._glitches, turns, 3)] + self.duty_factor + 0.4 * (1 - self.duty_factor)
        whole = np.concatenate((rises[~is_runt], spikes / self.frequency))
        ends = np.concatenate((falls[~is_runt], spikes / self.frequency + self._glitch))
        line = self._settled(self._drawn(whole, ends)) if memory else self._drawn(whole, ends)
        if is_runt.any():
            half = self._drawn(rises[is_runt], falls[is_runt]).shifted(-self._low).scaled(0.5)
            line = line.plus(half)
        return self._driver.motion(line, start, load)

    def _harmonics(self) -> Motion:
        """The same train without jitter and faults as its Fourier series: a rectangle smoothed by its transition."""
        height, duty = self._high - self._low, self.duty_factor
        part = self._transition * self.frequency
        most = min(max(math.ceil(2 / part) if part else MOST_HARMONICS, 3), MOST_HARMONICS)
        tones = []
        for order in range(1, most + 1):
            size = math.sin(math.pi * order * duty) / (math.pi * order) * float(np.sinc(order * part))
            phasor = 2 * height * size * cmath.exp(-1j * math.pi * order * duty)
            tones.append(Sinusoid(order * self.frequency, phasor))
        return Motion(self._low + height * duty, tones=tuple(tones))

    def _edges(self, turns: Floats, phase: float) -> Floats:
        times = (turns + phase) / self.frequency
        if not self._jitter:
            return times
        number = 2 * turns.astype(np.int64) + (phase > 0)
        return times + self._jitter * normal(number, self._salt)

    def truth(self) -> Mapping[str, float]:
        """Timing and levels of the pulses without a fault."""
        return {
            "frequency": self.frequency,
            "duty_factor": self.duty_factor,
            "low_level": self._low,
            "high_level": self._high,
        }


class PwmEntry(PulseEntry):
    """Pulses whose width follows a sine."""

    swing: Share = Field(description="how far the duty factor goes up and down", examples=["30 %"])
    modulation: Hertz = Field(description="frequency of that", examples=["50 Hz"])


@node_kind("pwm")
class Pwm(PulsesBase):
    """Pulses whose width follows a sine, as an inverter or a dimmer makes them."""

    entry: ClassVar[type[NodeEntry]] = PwmEntry

    def __init__(self, making: NodeContext[PwmEntry]) -> None:
        super().__init__(making)
        self._swing, self._modulation = making.entry.swing, making.entry.modulation

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The pulses."""
        turns = self._periods(start, end, memory)
        rises = turns / self.frequency
        widths = self.duty_factor + self._swing * np.sin(2 * math.pi * self._modulation * rises)
        falls = rises + np.clip(widths, LEAST_WIDTH, 1 - LEAST_WIDTH) / self.frequency
        return self._driver.motion(self._settled(self._drawn(rises, falls)), start, load)

    def truth(self) -> Mapping[str, float]:
        """Frequency and levels."""
        return {"frequency": self.frequency, "low_level": self._low, "high_level": self._high}


class PulseBurstEntry(PulseEntry):
    """Some pulses, then a pause."""

    cycles: Count = Field(description="pulses in a burst", examples=[8])
    every: Seconds = Field(description="time from the beginning of one burst to the next", examples=["20 ms"])


@node_kind("burst")
class Burst(PulsesBase):
    """Some pulses, then a pause, again and again: an echo sounder, a remote control."""

    entry: ClassVar[type[NodeEntry]] = PulseBurstEntry

    def __init__(self, making: NodeContext[PulseBurstEntry]) -> None:
        super().__init__(making)
        self._cycles, self._every = making.entry.cycles, making.entry.every

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The bursts."""
        before = min(math.ceil(memory / self._every), MOST_PERIODS) + 1
        bursts = np.arange(math.floor(start / self._every) - before, math.ceil(end / self._every) + 1) * self._every
        rises = (bursts[:, None] + np.arange(self._cycles)[None, :] / self.frequency).ravel()
        return self._driver.motion(self._drawn(rises, rises + self.duty_factor / self.frequency), start, load)

    def truth(self) -> Mapping[str, float]:
        """Levels, and the width of a burst from its first edge to its last."""
        width = (self._cycles - 1 + self.duty_factor) / self.frequency
        return {"low_level": self._low, "high_level": self._high, "burst_width": width}

    def quiet_until(self, moment: float) -> float:
        """Between two bursts."""
        quiet = self._driver.quiet_until(moment)
        if quiet > moment:
            return quiet
        since = moment % self._every
        width = self._cycles / self.frequency
        return moment if since <= width else moment - since + self._every - self._transition
