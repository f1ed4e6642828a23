"""The source's own terminal, so that a probe can look at what the source sends."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import ClassVar

import numpy as np
from pydantic import Field

from wavewright.grammar.quantity_fields import Ohms, Seconds
from wavewright.simulation.circuit.clocks import loaded
from wavewright.simulation.circuit.edges import quiet_until, scattered
from wavewright.simulation.circuit.motion import Floats, Motion, polyline
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.surroundings import Load, SourceSignal

_LASTING = -1e-9  # 1/s: a sine that does not decay, as a mode that may begin and end
_NOISE_RATE = 1e6  # independent levels per second
_FEWEST_PERIODS, _MOST_PERIODS = 4, 512  # examined before a record begins


class SourceTerminalEntry(NodeEntry):
    """The source's own terminal."""

    source_resistance: Ohms = Field(description="output resistance of the source")
    transition: Seconds = Field(description="duration of the transitions of square and pulse, from 0 to 100 %")


@node_kind("source_terminal")
class SourceTerminal:
    """The source and its output resistance; nothing while its output is off. Levels are those of an open circuit."""

    entry: ClassVar[type[NodeEntry]] = SourceTerminalEntry

    def __init__(self, making: NodeContext[SourceTerminalEntry]) -> None:
        self._surroundings = making.surroundings
        self._resistance, self._transition = making.entry.source_resistance, making.entry.transition

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The terminal's voltage, through whatever was set in the meantime."""
        period = 1.0 / self._surroundings.signal.at(end).frequency
        first = start - min(max(memory, _FEWEST_PERIODS * period), _MOST_PERIODS * period)
        states = self._surroundings.signal.since(first)
        ends = [*(since for since, _ in states[1:]), end]
        total = Motion()
        for (since, signal), finish in zip(states, ends, strict=True):
            begin, stop = max(since, first), min(finish, end)  # a burst's end may lie after the record's
            if signal.is_on and stop > begin:
                total = total.plus(self._piece(signal, begin, stop))
        return loaded(total, self._resistance, load)

    def _piece(self, signal: SourceSignal, begin: float, end: float) -> Motion:
        """One setting's signal: 0 V before `begin` and from `end` on."""
        if signal.function == "SIN":
            return _sine(signal, begin, end)
        times, volts = self._corners(signal, begin, end)
        inside = (times > begin) & (times < end)
        levels = np.interp([begin, end], times, volts)
        moments = np.concatenate(([begin, begin], times[inside], [end, end]))
        return polyline(moments, np.concatenate(([0.0, levels[0]], volts[inside], [levels[1], 0.0])))

    def _corners(self, signal: SourceSignal, begin: float, end: float) -> tuple[Floats, Floats]:
        """Corner points of the signal over an interval, and beyond both its ends."""
        if signal.function == "DC":
            middle = (signal.low + signal.high) / 2
            return np.array([begin, end]), np.array([middle, middle])
        if signal.function == "PRN":
            index = np.arange(math.floor(begin * _NOISE_RATE), math.ceil(end * _NOISE_RATE) + 1)
            share = scattered(index.astype(np.uint64)).astype(np.float64) / 2.0**64
            return index / _NOISE_RATE, signal.low + share * (signal.high - signal.low)
        phases, heights = self._period(signal)
        first = math.floor((begin - signal.begins) * signal.frequency)
        turns = np.arange(first, math.ceil((end - signal.begins) * signal.frequency) + 1)
        times = (turns[:, None] + phases[None, :]).ravel() / signal.frequency + signal.begins
        return times, np.tile(signal.low + heights * (signal.high - signal.low), len(turns))

    def _period(self, signal: SourceSignal) -> tuple[Floats, Floats]:
        """Corner points of one period: phases 0 … 1 and heights 0 … 1."""
        edge = min(self._transition * signal.frequency, 0.01)
        if signal.function in ("PULS", "SQU"):
            duty = signal.duty_factor if signal.function == "PULS" else 0.5
            return np.array([0.0, edge, duty, duty + edge]), np.array([0.0, 1.0, 1.0, 0.0])
        if signal.function == "USER" and signal.samples:
            return np.arange(len(signal.samples)) / len(signal.samples), np.array(signal.samples)
        return np.array([0.0, 0.5]), np.array([0.0, 1.0])

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """Between the lowest and the highest level that were set."""
        states = [signal for since, signal in self._surroundings.signal.since(start - 1.0) if since <= end]
        return min(0.0, *(each.low for each in states)), max(0.0, *(each.high for each in states))

    def truth(self) -> Mapping[str, float]:
        """What the source was set to; nothing of its own."""
        signal = self._surroundings.signal.at(math.inf)
        return {"frequency": signal.frequency, "amplitude": signal.high - signal.low}

    def quiet_until(self, moment: float) -> float:
        """Never quiet while the source runs."""
        return quiet_until(self._surroundings.signal, moment)


def _sine(signal: SourceSignal, begin: float, end: float) -> Motion:
    amplitude, middle = (signal.high - signal.low) / 2, (signal.high + signal.low) / 2
    pole = complex(_LASTING, 2 * math.pi * signal.frequency)
    angle = 2 * math.pi * (((begin - signal.begins) * signal.frequency) % 1.0) - math.pi / 2
    state = amplitude * complex(math.cos(angle), math.sin(angle))
    jumps = np.array([state, -state * np.exp(pole * (end - begin))])
    steps = np.array([middle, -middle])
    return Motion(0.0, np.array([begin, end]), steps, np.zeros(2), {pole: jumps})
