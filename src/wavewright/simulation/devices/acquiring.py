"""What every simulated digitizer does, whatever its language: arm, wait for the trigger, record, come to rest."""

from __future__ import annotations

import numpy as np

from wavewright.simulation.acquisition import Acquisition, RecordSetup
from wavewright.simulation.definition import Section
from wavewright.simulation.devices.calculations import OwnRecord
from wavewright.simulation.devices.records import Scale
from wavewright.simulation.devices.roles import Making
from wavewright.simulation.front_end import Codes, InputData, InputSetup
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.instrument import Call, Instrument
from wavewright.simulation.scpi.parameter_types import only
from wavewright.simulation.scpi.status import Operation
from wavewright.simulation.trigger import EdgeSetup

_LONGEST_DELAY = 100e-6  # s, between arming and looking: chance moves each shot against the signal's phase
MOST_INPUTS = 64
AT_ONCE, ON_THE_BUS = 0, -1


class AcquiringInstrument(Instrument):
    """A digitizer without a language. A role says how its settings become the setups of an acquisition.

    Details in the instrument file: inputs, bandwidth, ac_corner, noise_floor, noise_codes, jitter, skew, gain_error,
    offset_error, timebase_error, automatic_after, least_hysteresis, bits.
    """

    def __init__(self, making: Making) -> None:
        super().__init__(making.identity, making.settings, making.bench.clock)
        details = making.details
        self._bench = making.bench
        self.inputs = details.whole_number("inputs", most=MOST_INPUTS)
        self.bits = details.whole_number("bits", 8, most=32)
        self._least_hysteresis = details.quantity("least_hysteresis", "1")
        self._patience = details.quantity("automatic_after", "s")
        build = np.random.default_rng([making.bench.seed, making.stream])
        self._clock_error = details.quantity("timebase_error", "1") * float(build.uniform(-1, 1))
        self._data = _input_data(details, self.inputs, build)
        same = making.bench.draw == making.bench.seed
        self._generator = build if same else np.random.default_rng([making.bench.draw, making.stream])
        self._acquisition: Acquisition | None = None
        self._is_running = False
        self._serial = 0
        self._last_edge: float | None = None
        self._disturbance: float | None = None

    # --- what a role says

    def input_setup(self, number: int) -> InputSetup:
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

    def arm(self, call: Call) -> None:
        """Start an acquisition; −213 when one is running."""
        only(call.elements, 0, 0)
        if self._is_running:
            raise ScpiError(-213)
        begins = self.clock.now + _LONGEST_DELAY * float(self._generator.random())
        if self._last_edge is not None:
            begins = max(begins, self._last_edge + self.holdoff())
        self._serial += 1
        source, record, edge = self.trigger_source(), self.record_setup(), self.edge_setup()
        inputs = {number: self.input_setup(number) for number in self._data}
        least = self._least_hysteresis * inputs[source].range if source > 0 else 0.0
        self._acquisition = Acquisition(
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

    def stop(self, call: Call) -> None:
        """End the acquisition that runs; its record is lost."""
        only(call.elements, 0, 0)
        if self._is_running:
            self._acquisition, self._is_running = None, False

    def force(self, call: Call) -> None:
        """Stand in for the trigger; −211 when nothing waits for one."""
        only(call.elements, 0, 0)
        if not self._is_running or self._acquisition is None:
            raise ScpiError(-211)
        self._acquisition.look(self.clock.now)
        self._acquisition.force(self.clock.now)

    def trigger(self) -> None:
        """`*TRG`: an event where the source is the bus, and what forces a shot that waits for its edge."""
        self.force(Call((), ()))

    def disturb(self, seconds: float) -> None:
        """Interference will fire the trigger of the next record, so many seconds after it is armed."""
        self._disturbance = seconds

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

    def operation_condition(self) -> int:
        """Waiting for the trigger, or sweeping and measuring."""
        if not self._is_running:
            return 0
        return int(Operation.SWEEPING | Operation.MEASURING if self.is_triggered else Operation.WAITING_FOR_TRIGGER)

    def recorded(self) -> Acquisition:
        """The acquisition whose record can be had; −230 when there is none."""
        if self._acquisition is None or self._acquisition.trigger_time is None:
            raise ScpiError(-230, "no record was taken")
        return self._acquisition

    def codes(self, number: int) -> Codes:
        """The codes of an input, shape (points,)."""
        return self.recorded().codes(number)

    def scale_of(self, number: int) -> Scale:
        """What the codes of an input stand for in the record that was taken."""
        taken = self.recorded()
        setup, record = taken.inputs[number], taken.record
        return Scale(setup.volts_per_code, setup.offset, record.interval, record.first, f"input {number}")

    def own_record(self, number: int) -> OwnRecord:
        """What the instrument has for calculations of its own."""
        return OwnRecord(self.codes(number), self.scale_of(number), self.bits)

    @property
    def waits_for_the_bus(self) -> bool:
        """True when only a message could bring the trigger."""
        running = self._acquisition if self._is_running else None
        return running is not None and running.source == ON_THE_BUS and running.trigger_time is None


def _input_data(details: Section, inputs: int, generator: np.random.Generator) -> dict[int, InputData]:
    """What each input is built like; where within its tolerances, chance decides."""
    gain, offset, skew = (
        details.quantity("gain_error", "1"),
        details.quantity("offset_error", "1"),
        details.quantity("skew", "s"),
    )
    errors = generator.uniform(-1, 1, (inputs, 3))
    return {
        number: InputData(
            bandwidth=details.quantity("bandwidth", "Hz"),
            ac_corner=details.quantity("ac_corner", "Hz"),
            noise_floor=details.quantity("noise_floor", "V"),
            noise_codes=details.quantity("noise_codes", ""),
            jitter=details.quantity("jitter", "s"),
            gain_error=float(errors[number - 1, 0]) * gain,
            offset_error=float(errors[number - 1, 1]) * offset,
            skew=float(errors[number - 1, 2]) * skew,
        )
        for number in range(1, inputs + 1)
    }
