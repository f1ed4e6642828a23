"""One acquisition of the simulated digitizer: armed, looking for its trigger, recording, done."""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from wavewright.simulation.bench import SimulatedBench
from wavewright.simulation.circuit.motion import Motion, Sampler
from wavewright.simulation.circuit.nodes import Node
from wavewright.simulation.front_end import (
    Codes,
    FrontEndSettings,
    InputData,
    at_converter,
    digitize,
    noise_rms,
    reach_at_converter,
    settling_time,
)
from wavewright.simulation.probing import SimulatedProbe, load_on
from wavewright.simulation.trigger import EdgeDetector, EdgeSetup

_FIRST_PIECE, _LONGEST_PIECE = 1 << 12, 1 << 18
_MOST_SAMPLES = 1 << 23  # of one search; an edge that is farther away than that is not found in time
_TRIGGER_NOISE = 900  # a stream of chance beside those of the inputs
_ZOOM, _ZOOMS = 64, 3  # two sample intervals in 64 parts, three times over: below a millionth of one


@dataclass(frozen=True, slots=True)
class RecordSetup:
    """Time axis: sample interval in s, number of samples, and time of the first sample from the trigger, s."""

    interval: float
    points: int
    first: float
    clock_error: float = 0.0  # by which share the sample clock is slow

    @property
    def span(self) -> float:
        """From the first sample to the last, s."""
        return (self.points - 1) * self.interval

    @property
    def true_interval(self) -> float:
        """What passes between two samples in truth, s; the instrument believes in `interval`."""
        return self.interval * (1 + self.clock_error)

    @property
    def last(self) -> float:
        """Time of the last sample from the trigger, s."""
        return self.first + self.span


@dataclass(slots=True)
class ArmedAcquisition:
    """Settings frozen at the moment of arming, and what became of them.

    Parameters
    ----------
    source : number of the input that triggers; 0: at once; −1: on the bus.
    patience : s without an edge after which the trigger is forced; None: never.
    serial : which acquisition of the run this is; with the bench's draw it decides all chance in it.
    """

    bench: SimulatedBench
    inputs: Mapping[int, FrontEndSettings]
    data: Mapping[int, InputData]
    record: RecordSetup
    edge: EdgeSetup
    source: int
    patience: float | None
    begins: float
    serial: int
    trigger_time: float | None = None
    was_forced: bool = False
    _probes: Mapping[int, SimulatedProbe] = field(init=False)
    heeds_from: float = field(init=False)  # s; the part before the trigger fills first
    _looked_until: float = field(init=False)
    _detector: EdgeDetector = field(init=False)
    _codes: dict[int, Codes] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._probes = self.bench.probing.snapshot()
        self._detector = EdgeDetector(self.edge)
        self._looked_until = self.heeds_from = self.begins + max(0.0, -self.record.first)
        if self.source == 0:
            self.trigger_time = self._looked_until

    @property
    def end(self) -> float | None:
        """The moment the record is complete, s; None while there is no trigger."""
        return None if self.trigger_time is None else self.trigger_time + max(0.0, self.record.last)

    def force(self, moment: float) -> None:
        """Trigger now, whatever the signal does."""
        if self.trigger_time is None:
            self.trigger_time, self.was_forced = max(moment, self._looked_until), True

    def look(self, deadline: float, *, most: int = _MOST_SAMPLES) -> None:
        """Look for the edge up to a moment, s, through `most` samples at most."""
        if self.trigger_time is not None or self.source < 0:
            return
        limit = math.inf
        if self.patience is not None:
            limit = self.heeds_from + self.patience
        self._search(min(deadline, limit), most)
        if self.trigger_time is None and deadline >= limit:
            self.trigger_time, self.was_forced = limit, True

    def look_ahead(self, deadline: float) -> None:
        """Look for the edge up to a moment that is not yet; where there is none, it is as if nobody had looked."""
        before = self._looked_until, copy.deepcopy(self._detector)
        self.look(deadline, most=_MOST_SAMPLES // 4)
        if self.trigger_time is None:
            self._looked_until, self._detector = before

    def codes(self, number: int) -> Codes:
        """The record of an input, shape (points,), int8."""
        if number not in self._codes:
            assert self.trigger_time is not None
            generator = np.random.default_rng([self.bench.draw, self.serial, number])
            shared = np.random.default_rng([self.bench.draw, self.serial])  # one clock: all inputs jitter together
            jitter = self.data[number].jitter * float(shared.standard_normal())
            start = (
                self.trigger_time + self.record.first * (1 + self.record.clock_error) + jitter + self.data[number].skew
            )
            end = start + self.record.points * self.record.true_interval
            self._codes[number] = digitize(
                self._volts(number, start, end),
                self.data[number],
                self.inputs[number],
                start=start,
                interval=self.record.true_interval,
                count=self.record.points,
                generator=generator,
            )
        return self._codes[number]

    def _probe(self, number: int) -> SimulatedProbe:
        return self._probes.get(number, SimulatedProbe())

    def _node(self, number: int) -> Node | None:
        return self.bench.board.nodes.get(self._probe(number).node or "")

    def _volts(self, number: int, start: float, end: float) -> Motion:
        probe, setup, data, node = self._probe(number), self.inputs[number], self.data[number], self._node(number)
        if node is None:
            return Motion()
        impedances = {n: each.impedance for n, each in self.inputs.items()}
        load = load_on(probe.node or "", self._probes, impedances)
        return at_converter(node.motion(start, end, load, settling_time(data, setup, probe)), probe, data, setup)

    def _quiet_until(self, moment: float) -> float:
        setup = self.inputs[self.source]
        if setup.coupling == "AC":  # the input itself is still on its way to zero
            return moment
        node = self._node(self.source)
        return math.inf if node is None or setup.coupling == "GRO" else node.quiet_until(moment)

    def _search(self, until: float, most: int) -> None:
        size, looked = _FIRST_PIECE, 0
        while self._looked_until < until and self.trigger_time is None and looked < most:
            if self._skip_unreachable(until) or self._skip_quiet(until):
                continue
            at = self._looked_until
            count = max(2, min(size, math.ceil((until - at) / self.record.interval)))
            end = at + count * self.record.interval
            sampler = Sampler(self._volts(self.source, at, end))
            found = self._detector.find(sampler.take(at, self.record.interval, count))
            if found is not None:
                self.trigger_time = self._refined(sampler, at + found[0] * self.record.interval, found[1])
            self._looked_until = end
            looked += count
            size = min(2 * size, _LONGEST_PIECE)

    def _refined(self, sampler: Sampler, moment: float, sign: int) -> float:
        """The crossing in the continuous voltage, so that it does not matter where the samples of the search lay.

        The comparator sees noise as well: in time it is the noise over the slope (first order).
        """
        begin, width = moment - self.record.interval, 2 * self.record.interval
        for _ in range(_ZOOMS):
            step = width / _ZOOM
            height = sign * (sampler.take(begin, step, _ZOOM + 1) - self.edge.level)
            at = max(1, int(np.argmax(height >= 0)))
            begin, width = begin + (at - 1) * step, step
        rise = float(height[at] - height[at - 1])
        rms = noise_rms(self.data[self.source], self.inputs[self.source])
        generator = np.random.default_rng([self.bench.draw, self.serial, _TRIGGER_NOISE])
        late = rms * width / rise if rise > 0 else 0.0
        return begin + width / 2 + min(late, self.record.interval) * float(generator.standard_normal())

    def _skip_unreachable(self, until: float) -> bool:
        """Pass over everything when the level lies where the signal never comes."""
        node = self._node(self.source)
        low, high = node.reach(self._looked_until, until) if node else (0.0, 0.0)
        low, high = reach_at_converter(low, high, self._probe(self.source), self.inputs[self.source])
        if low <= self.edge.level <= high:
            return False
        self._detector.stay((low + high) / 2)
        self._looked_until = until
        return True

    def _skip_quiet(self, until: float) -> bool:
        """Pass over an interval in which nothing moves."""
        at = self._looked_until
        quiet = min(self._quiet_until(at), until)
        if quiet <= at + _FIRST_PIECE * self.record.interval:
            return False
        self._detector.stay(float(self._volts(self.source, at, at).sampled(at, 1.0, 1)[0]))
        self._looked_until = quiet
        return True
