"""What every simulated digitizer does, whatever its language: arm, wait for the trigger, record, come to rest."""

from __future__ import annotations

from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from wavewright.grammar.model import GrammarModel
from wavewright.grammar.quantity_fields import Hertz, Number, Seconds, Share, Volts
from wavewright.grammar.word_fields import CountFrom
from wavewright.simulation.acquisition import ArmedAcquisition, RecordSetup
from wavewright.simulation.devices.calculations import OwnRecord
from wavewright.simulation.devices.records import CodeScale
from wavewright.simulation.devices.roles import MOST_INPUTS, InstrumentContext, SimulatedInstrumentEntry
from wavewright.simulation.front_end import Codes, FrontEndSettings, InputData
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.instrument import ReceivedHeader, SimulatedInstrument
from wavewright.simulation.scpi.parameter_types import only
from wavewright.simulation.scpi.status import OperationStatus
from wavewright.simulation.trigger import EdgeSetup

_LONGEST_DELAY = 100e-6  # s, between arming and looking: chance moves each shot against the signal's phase
AT_ONCE, ON_THE_BUS = 0, -1


class DigitizerDetails(GrammarModel):
    """What a simulated digitizer is built like."""

    inputs: Annotated[int, CountFrom(0, MOST_INPUTS)] = Field(description="number of inputs", examples=[4])
    bits: Annotated[int, CountFrom(0, 32)] = Field(default=8, description="resolution of the converter", examples=[12])
    bandwidth: Hertz = Field(description="corner of the input's own low-pass filter")
    ac_corner: Hertz = Field(description="corner of the high-pass filter of AC coupling", examples=["50 Hz"])
    noise_floor: Volts = Field(description="rms noise at the connector, over the full bandwidth", examples=["80 uV"])
    noise_codes: Number = Field(description="rms noise of the converter itself, in codes", examples=["0.2"])
    jitter: Seconds = Field(description="standard deviation of the sampling instants", examples=["30 ps"])
    skew: Seconds = Field(description="largest delay between inputs; the seed decides that of each", examples=["80 ps"])
    timebase_error: Share = Field(description="largest error of the sample clock", examples=["4 ppm"])
    gain_error: Share = Field(description="largest error of an input's gain", examples=["0.5 %"])
    offset_error: Share = Field(description="largest error of an input's offset, of the range", examples=["0.15 %"])
    automatic_after: Seconds = Field(description="wait for a trigger after which an automatic one comes")
    least_hysteresis: Share = Field(description="smallest hysteresis of the trigger, of the range")


_BUILT_LIKE = {
    "inputs": 4,
    "bandwidth": "100 MHz",
    "ac_corner": "50 Hz",
    "noise_floor": "80 uV",
    "noise_codes": 0.2,
    "jitter": "30 ps",
    "skew": "80 ps",
    "timebase_error": "4 ppm",
    "gain_error": "0.5 %",
    "offset_error": "0.15 %",
    "automatic_after": "20 ms",
    "least_hysteresis": "1.5 %",
}


class AcquiringEntry(SimulatedInstrumentEntry):
    """A simulated digitizer."""

    details: DigitizerDetails = Field(description="what the digitizer is built like", examples=[_BUILT_LIKE])


class AcquiringInstrument(SimulatedInstrument):
    """A digitizer without a language. A role says how its settings become the setups of an acquisition."""

    entry: ClassVar[type[SimulatedInstrumentEntry]] = AcquiringEntry

    def __init__(self, making: InstrumentContext[DigitizerDetails]) -> None:
        super().__init__(making.identity, making.settings, making.bench.clock)
        details = making.details
        self._bench = making.bench
        self.inputs = details.inputs
        self.bits = details.bits
        self._least_hysteresis = details.least_hysteresis
        self._patience = details.automatic_after
        build = np.random.default_rng([making.bench.seed, making.stream])
        self._clock_error = details.timebase_error * float(build.uniform(-1, 1))
        self._data = _input_data(details, self.inputs, build)
        same = making.bench.draw == making.bench.seed
        self._generator = build if same else np.random.default_rng([making.bench.draw, making.stream])
        self._acquisition: ArmedAcquisition | None = None
        self._is_running = False
        self._serial = 0
        self._last_edge: float | None = None
        self._disturbance: float | None = None
        self._lateness = 0.0

    # --- what a role says

    def input_setup(self, number: int) -> FrontEndSettings:
        """How an input is set now."""
        raise NotImplementedError

    def record_setup(self) -> RecordSetup:
        """The time axis as set now; the clock's error is put in afterwards."""
        raise NotImplementedError

    def trigger_source(self) -> int:
        """The number of the input that triggers, AT_ONCE, or ON_THE_BUS."""
        raise NotImplementedError

    def edge_setup(self) -> EdgeSetup:
        """Level, slope and hysteresis as set now."""
        raise NotImplementedError

    def is_automatic(self) -> bool:
        """Whether the record is taken after a while without an edge."""
        raise NotImplementedError

    def holdoff(self) -> float:
        """Shortest time between two triggers, s."""
        return 0.0

    # --- what they all do

    def arm(self, call: ReceivedHeader) -> None:
        """Start an acquisition; −213 when one is running."""
        only(call.elements, 0, 0)
        if self._is_running:
            raise ScpiError(-213)
        begins = self.clock.now + self._lateness + _LONGEST_DELAY * float(self._generator.random())
        self._lateness = 0.0
        if self._last_edge is not None:
            begins = max(begins, self._last_edge + self.holdoff())
        self._serial += 1
        source, record, edge = self.trigger_source(), self.record_setup(), self.edge_setup()
        inputs = {number: self.input_setup(number) for number in self._data}
        least = self._least_hysteresis * inputs[source].range if source > 0 else 0.0
        self._acquisition = ArmedAcquisition(
            bench=self._bench,
            inputs=inputs,
            data=self._data,
            record=RecordSetup(record.interval, record.points, record.first, self._clock_error),
            edge=EdgeSetup(edge.level, max(edge.hysteresis, least), edge.slope),
            source=source,
            patience=max(self._patience, 2 * record.span) if self.is_automatic() else None,
            begins=begins,
            serial=self._serial,
        )
        self._is_running = True
        if self._disturbance is not None:
            self._acquisition.force(begins + self._disturbance)
            self._disturbance = None

    def stop(self, call: ReceivedHeader) -> None:
        """End the acquisition that runs; its record is lost."""
        only(call.elements, 0, 0)
        if self._is_running:
            self._acquisition, self._is_running = None, False

    def force(self, call: ReceivedHeader) -> None:
        """Stand in for the trigger; −211 when nothing waits for one."""
        only(call.elements, 0, 0)
        if not self._is_running or self._acquisition is None:
            raise ScpiError(-211)
        self._acquisition.look(self.clock.now)
        self._acquisition.force(self.clock.now)

    def trigger(self) -> None:
        """`*TRG`: an event where the source is the bus, and what forces a shot that waits for its edge."""
        self.force(ReceivedHeader((), ()))

    def disturb(self, seconds: float) -> None:
        """Interference will fire the trigger of the next record, this many seconds after it is armed."""
        self._disturbance = seconds

    def arm_late(self, seconds: float) -> None:
        """The next acquisition will begin this many seconds after it is ordered."""
        self._lateness = seconds

    def reset(self) -> None:
        """`*RST`: settings, and the trigger system to idle; the last record is gone."""
        super().reset()
        self._acquisition, self._is_running, self._last_edge = None, False, None

    def completion(self, deadline: float) -> float | None:
        """When the record that runs is complete."""
        if not self._is_running or self._acquisition is None:
            return self.clock.now
        self._acquisition.look(deadline)
        return self._acquisition.end

    def foresee(self, deadline: float) -> float | None:
        """When the record that runs is complete, if nothing on the bench changes until then."""
        if self._is_running and self._acquisition is not None:
            self._acquisition.look_ahead(deadline)
        return self.completion(self.clock.now)

    def finish(self) -> None:
        """Back to idle."""
        if self._is_running and self._acquisition is not None:
            self._last_edge = self._acquisition.trigger_time
        self._is_running = False

    @property
    def is_running(self) -> bool:
        """True from arming until the record is complete."""
        return self._is_running

    @property
    def is_triggered(self) -> bool:
        """True once the acquisition has its trigger."""
        trigger = self._acquisition.trigger_time if self._acquisition else None
        return trigger is not None and trigger <= self.clock.now

    @property
    def waits_for_trigger(self) -> bool:
        """True while the trigger would be heeded: the part of the record before it has been taken."""
        running = self._acquisition if self._is_running else None
        return running is not None and not self.is_triggered and running.heeds_from <= self.clock.now

    def operation_condition(self) -> int:
        """Waiting for the trigger; sweeping before that, and measuring as well after it; nothing until it has begun."""
        if not self._is_running or self._acquisition is None or self._acquisition.begins > self.clock.now:
            return 0
        if self.waits_for_trigger:
            return int(OperationStatus.WAITING_FOR_TRIGGER)
        return int(OperationStatus.SWEEPING | (OperationStatus.MEASURING if self.is_triggered else 0))

    def recorded(self) -> ArmedAcquisition:
        """The acquisition whose record can be had; −230 when there is none."""
        if self._acquisition is None or self._acquisition.trigger_time is None:
            raise ScpiError(-230, "no record was taken")
        return self._acquisition

    def codes(self, number: int) -> Codes:
        """The codes of an input, shape (points,)."""
        return self.recorded().codes(number)

    def scale_of(self, number: int) -> CodeScale:
        """What the codes of an input stand for in the record that was taken."""
        taken = self.recorded()
        setup, record = taken.inputs[number], taken.record
        return CodeScale(setup.volts_per_code, setup.offset, record.interval, record.first, f"input {number}")

    def own_record(self, number: int) -> OwnRecord:
        """What the instrument has for calculations of its own."""
        return OwnRecord(self.codes(number), self.scale_of(number), self.bits)

    @property
    def waits_for_the_bus(self) -> bool:
        """True when only a message could bring the trigger."""
        running = self._acquisition if self._is_running else None
        return running is not None and running.source == ON_THE_BUS and running.trigger_time is None


def _input_data(details: DigitizerDetails, inputs: int, generator: np.random.Generator) -> dict[int, InputData]:
    """What each input is built like; where within its tolerances, chance decides."""
    gain, offset, skew = (
        details.gain_error,
        details.offset_error,
        details.skew,
    )
    errors = generator.uniform(-1, 1, (inputs, 3))
    return {
        number: InputData(
            bandwidth=details.bandwidth,
            ac_corner=details.ac_corner,
            noise_floor=details.noise_floor,
            noise_codes=details.noise_codes,
            jitter=details.jitter,
            gain_error=float(errors[number - 1, 0]) * gain,
            offset_error=float(errors[number - 1, 1]) * offset,
            skew=float(errors[number - 1, 2]) * skew,
        )
        for number in range(1, inputs + 1)
    }
