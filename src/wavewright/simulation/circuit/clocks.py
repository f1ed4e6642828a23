"""The crystal oscillator's pin, which a probe pulls and loads, and the periodic enable line, which may glitch."""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from typing import Annotated, ClassVar

import numpy as np
import numpy.typing as npt
from pydantic import Field

from wavewright.grammar.quantity_fields import Farads, Ohms, Seconds, ToleranceIn, Volts
from wavewright.grammar.word_fields import CountFrom, LocatedText
from wavewright.quantities import Interval
from wavewright.simulation.circuit.edges import Edges, drawn, scattered
from wavewright.simulation.circuit.motion import Motion, Sinusoid
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.power import rail_of
from wavewright.simulation.circuit.surroundings import UNLOADED, Load

_MOST_PERIODS = 512  # examined before a record begins


class CrystalOscillatorEntry(NodeEntry):
    """A crystal oscillator's output pin."""

    fed_by: LocatedText = Field(description="the rail without which nothing oscillates", examples=["rail"])
    frequency: Annotated[Interval, ToleranceIn("Hz", "12 MHz ± 0.002 %")] = Field(
        description="frequency without a probe on the pin"
    )
    motional_capacitance: Farads = Field(description="C1 of the crystal's series-resonance model", examples=["15 fF"])
    shunt_capacitance: Farads = Field(description="C0 of the crystal's series-resonance model", examples=["4 pF"])
    load_capacitance: Farads = Field(description="that of the circuit, without a probe", examples=["18 pF"])
    source_resistance: Ohms = Field(description="of the pin, which a probe loads")
    amplitude: Volts = Field(description="half the peak-to-peak voltage without a probe")
    offset: Volts = Field(description="voltage in the middle of the sine")


@node_kind("crystal")
class CrystalOscillator:
    """A crystal oscillator's output pin: a sine that the probe pulls in frequency and loads in amplitude.

    f = f series · √(1 + C1/(C0 + C load)) (series-resonance model †).
    Amplitude: divider of the source resistance with the load's resistance and capacitance (math).
    """

    entry: ClassVar[type[NodeEntry]] = CrystalOscillatorEntry

    def __init__(self, making: NodeContext[CrystalOscillatorEntry]) -> None:
        entry = making.entry
        self._rail = rail_of(making, "fed_by")
        self.nominal = making.drawn(entry.frequency)
        self._motional, self._shunt = entry.motional_capacitance, entry.shunt_capacitance
        self._load, self._resistance = entry.load_capacitance, entry.source_resistance
        self._amplitude, self._offset = entry.amplitude, entry.offset

    def frequency(self, load: Load) -> float:
        """The frequency with a load on the pin, Hz; without one the nominal frequency."""
        return self.nominal * self._stretch(load.capacitance) / self._stretch(0.0)

    def _stretch(self, added: float) -> float:
        return math.sqrt(1 + self._motional / (self._shunt + self._load + added))

    def amplitude(self, load: Load) -> float:
        """Half the peak-to-peak voltage with a load on the pin, V."""
        return abs(self._divided(load)) * self._amplitude

    def _divided(self, load: Load) -> complex:
        turn = 2 * math.pi * self.frequency(load)
        pole = turn * load.parallel(self._resistance) * load.capacitance
        return load.share(self._resistance) / (1 + 1j * pole)

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """A steady sine while the rail is up; nothing without it."""
        if not self._rail.is_up(start):
            return Motion()
        del end, memory
        tone = Sinusoid(self.frequency(load), self._amplitude * self._divided(load) * cmath.exp(-0.5j * math.pi))
        return Motion(self._offset * load.share(self._resistance), tones=(tone,))

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """The swing of the unloaded pin."""
        del start, end
        return min(0.0, self._offset - self._amplitude), self._offset + self._amplitude

    def truth(self) -> Mapping[str, float]:
        """Frequency and amplitude without a probe."""
        peak = self.amplitude(UNLOADED)
        return {"frequency": self.frequency(UNLOADED), "peak_to_peak": 2 * peak, "mean": self._offset}

    def quiet_until(self, moment: float) -> float:
        """Never quiet while the rail is up."""
        return moment if self._rail.is_up(moment) else self._rail.quiet_until(moment)


class EnableLineEntry(NodeEntry):
    """A periodic line, which may glitch."""

    fed_by: LocatedText = Field(description="the rail whose voltage is the line's high level", examples=["rail"])
    frequency: Annotated[Interval, ToleranceIn("Hz", "10 kHz ± 1 %")] = Field(description="repetition frequency")
    duty_factor: Annotated[Interval, ToleranceIn("1", "60 %")] = Field(description="high time over period")
    transition: Seconds = Field(description="duration of a transition, from 0 to 100 %")
    source_resistance: Ohms = Field(description="of the driver, which a probe loads")
    glitch_every: Annotated[int, CountFrom(0)] = Field(
        default=0, description="one period in this number has a short low in its high part; 0: none", examples=[500]
    )
    glitch_width: Seconds = Field(default=0.0, description="duration of that short low", examples=["300 ns"])


@node_kind("enable_line")
class EnableLine:
    """A periodic line. In a faulty one, one period in `glitch_every` has a short low in its high part.

    Which periods these are follows from the seed, not from when one looks.
    """

    entry: ClassVar[type[NodeEntry]] = EnableLineEntry

    def __init__(self, making: NodeContext[EnableLineEntry]) -> None:
        entry = making.entry
        self._rail = rail_of(making, "fed_by")
        self.frequency = making.drawn(entry.frequency)
        self.duty_factor = making.drawn(entry.duty_factor)
        self._transition, self._resistance = entry.transition, entry.source_resistance
        self.glitch_every, self._glitch = entry.glitch_every, entry.glitch_width
        self._salt = int(making.generator.integers(1 << 62))

    def glitches(self, first: int, last: int) -> npt.NDArray[np.bool_]:
        """For the periods `first` up to `last`, whether each has a glitch."""
        periods = np.arange(first, last, dtype=np.int64).astype(np.uint64)
        if not self.glitch_every:
            return np.zeros(len(periods), bool)
        numbers = scattered(periods + np.uint64(self._salt)) % np.uint64(self.glitch_every)
        return np.asarray(numbers == 0, bool)

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The line's voltage."""
        if not self._rail.is_up(start):
            return Motion()
        period = 1 / self.frequency
        before = min(max(2, math.ceil(memory / period)), _MOST_PERIODS)
        first, last = math.floor(start / period) - before, math.ceil(end / period) + 1
        turns = np.arange(first, last)
        dips = turns[self.glitches(first, last)] + 0.4 * self.duty_factor
        width = self._glitch / period
        times = np.concatenate((turns, turns + self.duty_factor, dips, dips + width)) * period
        ups = (
            np.ones(len(turns), bool),
            np.zeros(len(turns), bool),
            np.zeros(len(dips), bool),
            np.ones(len(dips), bool),
        )
        order = np.argsort(times, kind="stable")
        edges = Edges(times[order], np.concatenate(ups)[order], True)
        line = drawn(edges, low=0.0, high=self._rail.level, transition=self._transition)
        if memory:
            line = line.settled_on(edges.share_high(start) * self._rail.level)
        return loaded(line, self._resistance, load)

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """Between ground and the rail."""
        del start, end
        return 0.0, self._rail.level

    def truth(self) -> Mapping[str, float]:
        """Timing of the periods without a glitch; the share of those with one."""
        share = 1 / self.glitch_every if self.glitch_every else 0.0
        return {
            "frequency": self.frequency,
            "duty_factor": self.duty_factor,
            "high_level": self._rail.level,
            "glitch_share": share,
        }

    def quiet_until(self, moment: float) -> float:
        """Never quiet while the rail is up."""
        return moment if self._rail.is_up(moment) else self._rail.quiet_until(moment)


def loaded(open_circuit: Motion, source_resistance: float, load: Load) -> Motion:
    """What is left of an open-circuit voltage with a source resistance in series when a probe is connected to it."""
    motion = open_circuit.scaled(load.share(source_resistance))
    constant = load.parallel(source_resistance) * load.capacitance
    return motion.low_passed(1 / (2 * math.pi * constant)) if constant else motion
