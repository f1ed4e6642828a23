"""The simulated digitizer: inputs on one sample clock, a trigger found in the signal, records of raw codes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from wavewright.simulation.acquisition import Acquisition, RecordSetup
from wavewright.simulation.devices.records import RecordFormat, Scale, read_format, record_bytes
from wavewright.simulation.devices.roles import Making, role
from wavewright.simulation.front_end import CODES, InputData, InputSetup
from wavewright.simulation.scpi.elements import Element, Form
from wavewright.simulation.scpi.faults import ScpiFault
from wavewright.simulation.scpi.instrument import Answer, Call, Command, Instrument, Pending, Reply
from wavewright.simulation.scpi.kinds import Number, Value, only, quoted
from wavewright.simulation.scpi.status import Operation
from wavewright.simulation.trigger import EdgeSetup

_FUNCTION = re.compile(r"\s*XTIM(?:E)?:VOLT(?:AGE)?(?::DC)?(?:\s*(\d+))?\s*$", re.IGNORECASE)
_LONGEST_DELAY = 100e-6  # s, between arming and looking: chance moves each shot against the signal's phase


@role("digitizer")
class Digitizer(Instrument):
    """Settings by these keys: coupling, filter, filter_frequency, impedance, range, offset (each per input); interval,
    points, time, delay, location; concurrent, border, dif; trigger_source, trigger_level, trigger_slope,
    trigger_hysteresis, trigger_holdoff, trigger_automatic.
    """

    def __init__(self, making: Making) -> None:
        super().__init__(making.identity, making.settings, making.bench.clock)
        details = making.details
        self._bench = making.bench
        self.inputs = int(details.quantity("inputs", ""))
        self._least_hysteresis = details.quantity("least_hysteresis", "1")
        self._patience = details.quantity("automatic_after", "s")
        self._generator = np.random.default_rng([making.bench.seed, making.stream])
        spread_gain = details.quantity("gain_error", "1")
        spread_offset = details.quantity("offset_error", "1")
        self._clock_error = details.quantity("timebase_error", "1") * float(self._generator.uniform(-1, 1))
        spread_skew = details.quantity("skew", "s")
        errors = self._generator.uniform(-1, 1, (self.inputs, 3))
        self._data = {
            number: InputData(
                bandwidth=details.quantity("bandwidth", "Hz"),
                ac_corner=details.quantity("ac_corner", "Hz"),
                noise_floor=details.quantity("noise_floor", "V"),
                noise_codes=details.quantity("noise_codes", ""),
                jitter=details.quantity("jitter", "s"),
                gain_error=float(errors[number - 1, 0]) * spread_gain,
                offset_error=float(errors[number - 1, 1]) * spread_offset,
                skew=float(errors[number - 1, 2]) * spread_skew,
            )
            for number in range(1, self.inputs + 1)
        }
        self._form = RecordFormat()
        self._sensed: tuple[int, ...] = (1,)
        self._acquisition: Acquisition | None = None
        self._is_running = False
        self._serial = 0
        self._last_edge: float | None = None
        self._disturbance: float | None = None

    def actions(self) -> Mapping[str, Command]:
        """What a definition file can give headers to."""
        return {
            "arm": Command(tell=self._arm),
            "continuous": Command(tell=self._set_continuous, ask=lambda _: "0"),
            "stop": Command(tell=self._stop),
            "force": Command(tell=self._force),
            "function": Command(tell=self._sense, ask=lambda _: ",".join(map(_function, self._sensed))),
            "function_off": Command(tell=self._sense_not),
            "format": Command(tell=self._set_format, ask=self._ask_format),
            "data": Command(ask=self._ask_data),
            "preamble": Command(ask=lambda _: Answer(self._preamble(1))),
            "fetch": Command(ask=self._ask_data),
        }

    # --- settings

    def adjust(self, key: str, value: Value, number: int) -> Value:
        """Sources that do not exist here; a record that would be too long."""
        if key == "trigger_source" and str(value).startswith("INT") and int(str(value)[3:]) > self.inputs:
            raise ScpiFault(-224, f"{value}, {self.inputs} inputs")
        del number
        return value

    def changed(self, key: str, number: int) -> None:
        """Interval, points and time hang together: TIME = TINTerval · (POINts − 1) (from memory, not verified)."""
        settings = self.settings
        if key == "time":
            self._fit_time(settings.number("time"))
        if key in ("time", "interval", "points") and "time" in settings:
            settings.put("time", settings.number("interval") * (settings.number("points") - 1))
        if key == "border":
            self._form = replace(self._form, is_swapped=settings["border"] == "SWAP")
        if key == "dif":
            self._form = replace(self._form, is_wrapped=bool(settings["dif"]))

    def _fit_time(self, span: float) -> None:
        interval, points = self.settings.rows["interval"].kind, self.settings.rows["points"].kind
        assert isinstance(interval, Number)
        assert isinstance(points, Number)
        shortest = max(self.settings.number("interval"), span / (points.maximum - 1))
        fitting = [step for step in interval.steps if step >= shortest * (1 - 1e-9)]
        self.settings.put("interval", fitting[0] if fitting else interval.steps[-1])
        self.settings.put("points", points.nearest(round(span / self.settings.number("interval")) + 1))

    def reset(self) -> None:
        """`*RST`: settings, format, trigger system to idle; the last record is gone."""
        super().reset()
        self._form, self._sensed = RecordFormat(), (1,)
        self._acquisition, self._is_running, self._last_edge = None, False, None

    def _set_continuous(self, call: Call) -> None:
        only(call.elements, 1, 1)
        word = call.elements[0]
        if word.text not in ("OFF", "") or word.number != 0:
            raise ScpiFault(-221, "this instrument takes one record for each INITiate")

    def _sense(self, call: Call) -> None:
        only(call.elements, 1, self.inputs)
        numbers = [self._function_number(element) for element in call.elements]
        is_concurrent = bool(self.settings["concurrent"])
        if len(numbers) > 1 and not is_concurrent:
            raise ScpiFault(-221, "several functions with CONCurrent OFF")
        self._sensed = tuple(sorted({*self._sensed, *numbers} if is_concurrent else set(numbers)))

    def _sense_not(self, call: Call) -> None:
        only(call.elements, 1, self.inputs)
        numbers = {self._function_number(element) for element in call.elements}
        self._sensed = tuple(number for number in self._sensed if number not in numbers)

    def _function_number(self, element: Element) -> int:
        if element.form is not Form.STRING:
            raise ScpiFault(-104, "a function is due, in quotes")
        found = _FUNCTION.match(element.text)
        if not found:
            raise ScpiFault(-224, f'{element.text}, not "XTIMe:VOLTage <n>"')
        number = int(found[1] or 1)
        if not 1 <= number <= self.inputs:
            raise ScpiFault(-224, f"input {number}, 1 to {self.inputs}")
        return number

    def _set_format(self, call: Call) -> None:
        only(call.elements, 1, 2)
        kind, length = read_format(tuple(call.elements))
        self._form = replace(self._form, kind=kind, length=length)

    def _ask_format(self, call: Call) -> str:
        only(call.elements, 0, 0)
        return f"{self._form.kind},{self._form.length}"

    # --- acquisition

    def _arm(self, call: Call) -> None:
        only(call.elements, 0, 0)
        if self._is_running:
            raise ScpiFault(-213)
        now = self.clock.now
        begins = now + _LONGEST_DELAY * float(self._generator.random())
        if self._last_edge is not None:
            begins = max(begins, self._last_edge + self.settings.number("trigger_holdoff"))
        self._serial += 1
        source = self._source()
        time = self.settings.number("time")
        patience = max(self._patience, 2 * time) if self.settings["trigger_automatic"] else None
        self._acquisition = Acquisition(
            bench=self._bench,
            inputs={number: self.input_setup(number) for number in self._data},
            data=self._data,
            record=RecordSetup(
                interval=self.settings.number("interval"),
                points=int(self.settings.number("points")),
                first=self.settings.number("delay") - self.settings.number("location") * time,
                clock_error=self._clock_error,
            ),
            edge=EdgeSetup(
                level=self.settings.number("trigger_level"),
                hysteresis=self._hysteresis(source),
                slope=str(self.settings["trigger_slope"]),
            ),
            source=source,
            patience=patience,
            begins=begins,
            serial=self._serial,
        )
        self._is_running = True
        if self._disturbance is not None:
            self._acquisition.force(begins + self._disturbance)
            self._disturbance = None

    def disturb(self, seconds: float) -> None:
        """Interference will fire the trigger of the next record, so many seconds after it is armed."""
        self._disturbance = seconds

    def input_setup(self, number: int) -> InputSetup:
        """How an input is set now."""
        settings = self.settings
        return InputSetup(
            coupling=str(settings.of("coupling", number)),
            range=settings.number("range", number),
            offset=settings.number("offset", number),
            band_limit=settings.number("filter_frequency", number) if settings.of("filter", number) else None,
            impedance=settings.number("impedance", number),
        )

    def _source(self) -> int:
        word = str(self.settings["trigger_source"])
        return {"IMM": 0, "BUS": -1}.get(word) if word in ("IMM", "BUS") else int(word[3:])  # type: ignore[return-value]

    def _hysteresis(self, source: int) -> float:
        """What was set, but never less than the comparator needs to be quiet."""
        least = self._least_hysteresis * self.settings.number("range", source) if source > 0 else 0.0
        return max(self.settings.number("trigger_hysteresis"), least)

    def _stop(self, call: Call) -> None:
        only(call.elements, 0, 0)
        if self._is_running:
            self._acquisition, self._is_running = None, False

    def _force(self, call: Call) -> None:
        only(call.elements, 0, 0)
        if not self._is_running or self._acquisition is None:
            raise ScpiFault(-211)
        self._acquisition.look(self.clock.now)
        self._acquisition.force(self.clock.now)

    def trigger(self) -> None:
        """`*TRG`: an event where the source is the bus, and what forces a shot that waits for its edge."""
        self._force(Call((), ()))

    def completion(self, deadline: float) -> float | None:
        """When the record that runs is complete."""
        if not self._is_running or self._acquisition is None:
            return self.clock.now
        self._acquisition.look(deadline)
        end = self._acquisition.end
        return None if end is None else max(end, self.clock.now) if end > self.clock.now else end

    def finish(self) -> None:
        """Back to idle."""
        if self._is_running and self._acquisition is not None:
            self._last_edge = self._acquisition.trigger_time
        self._is_running = False

    def operation_condition(self) -> int:
        """Waiting for the trigger, or sweeping and measuring."""
        if not self._is_running or self._acquisition is None:
            return 0
        trigger = self._acquisition.trigger_time
        if trigger is None or trigger > self.clock.now:
            return int(Operation.WAITING_FOR_TRIGGER)
        return int(Operation.SWEEPING | Operation.MEASURING)

    # --- data

    def _ask_data(self, call: Call) -> Reply:
        only(call.elements, 0, 1)
        number = self._function_number(call.elements[0]) if call.elements else call.number
        if number not in self._sensed:
            raise ScpiFault(-221, f"input {number} is not among the functions that are on")
        if not self._is_running:
            return self._record(number)
        if self._acquisition is not None and self._acquisition.source < 0 and self._acquisition.trigger_time is None:
            raise ScpiFault(-214)
        return Pending(lambda: self._record(number))

    def _record(self, number: int) -> Answer:
        if self._acquisition is None or self._acquisition.trigger_time is None:
            raise ScpiFault(-230, "no record was taken")
        return Answer(record_bytes(self._acquisition.codes(number), self._scale(number), self._form))

    def _scale(self, number: int) -> Scale:
        assert self._acquisition is not None
        setup, record = self._acquisition.inputs[number], self._acquisition.record
        return Scale(setup.range / CODES, setup.offset, record.interval, record.first, f"input {number}")

    def _preamble(self, number: int) -> bytes:
        record = self._record(number)
        del record
        wrapped = record_bytes(np.zeros(0, np.int8), self._scale(number), replace(self._form, is_wrapped=True))
        return bytes(wrapped)


def _function(number: int) -> str:
    return quoted(f"XTIM:VOLT {number}")
