"""The simulated digitizer: inputs on one sample clock, a trigger found in the signal, records of raw codes."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

import numpy as np

from wavewright.simulation.acquisition import RecordSetup
from wavewright.simulation.devices.acquiring import AT_ONCE, ON_THE_BUS, AcquiringInstrument, DigitizerDetails
from wavewright.simulation.devices.calculations import CALCULATIONS
from wavewright.simulation.devices.records import RecordFormat, read_format, record_bytes
from wavewright.simulation.devices.roles import InstrumentContext, role
from wavewright.simulation.front_end import FrontEndSettings
from wavewright.simulation.scpi.elements import Element, Form
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.instrument import Answer, Command, Pending, ReceivedHeader, Reply
from wavewright.simulation.scpi.parameter_types import NumericParameter, Value, number_text, only, quoted
from wavewright.simulation.trigger import EdgeSetup

_FUNCTION = re.compile(r"\s*XTIM(?:E)?:VOLT(?:AGE)?(?::DC)?(?:\s*(\d+))?\s*$", re.IGNORECASE)
_CHANNELS = re.compile(r"@\s*\d+\s*(?:,\s*\d+\s*)*$")
_IN_PER_CENT = ("duty", "overshoot")  # PCT is the unit of DCYCle and OVERshoot †
_SOURCES = {"IMM": AT_ONCE, "BUS": ON_THE_BUS}


@role("digitizer")
class SimulatedDigitizer(AcquiringInstrument):
    """Settings by these keys: coupling, filter, filter_frequency, impedance, range, offset (each per input); interval,
    points, time, delay, location; concurrent, border, dif; trigger_source, trigger_level, trigger_slope,
    trigger_hysteresis, trigger_holdoff, trigger_automatic.
    """

    def __init__(self, making: InstrumentContext[DigitizerDetails]) -> None:
        super().__init__(making)
        self._form = RecordFormat()
        self._sensed: tuple[int, ...] = (1,)

    def actions(self) -> Mapping[str, Command]:
        """What a definition file can give headers to."""
        return {
            "arm": Command(tell=self.arm),
            "continuous": Command(tell=self._set_continuous, ask=lambda _: "0"),
            "stop": Command(tell=self.stop),
            "force": Command(tell=self.force),
            "function": Command(tell=self._sense, ask=lambda _: ",".join(map(_function, self._sensed))),
            "function_off": Command(tell=self._sense_not),
            "format": Command(tell=self._set_format, ask=self._ask_format),
            "data": Command(ask=self._ask_data),
            "preamble": Command(ask=self._preamble),
            "fetch": Command(ask=self._ask_data),
            **{f"fetch_{name}": Command(ask=partial(self._fetch, name)) for name in CALCULATIONS},
        }

    # --- settings

    def adjust(self, key: str, value: Value, number: int) -> Value:
        """Sources that do not exist here; a record that would be too long."""
        if key == "trigger_source" and str(value).startswith("INT") and int(str(value)[3:]) > self.inputs:
            raise ScpiError(-224, f"{value}, {self.inputs} inputs")
        del number
        return value

    def changed(self, key: str, number: int) -> None:
        """Interval, points and time hang together: TIME = TINTerval · (POINts − 1) †."""
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
        assert isinstance(interval, NumericParameter)
        assert isinstance(points, NumericParameter)
        shortest = max(self.settings.number("interval"), span / (points.maximum - 1))
        fitting = [step for step in interval.steps if step >= shortest * (1 - 1e-9)]
        self.settings.put("interval", fitting[0] if fitting else interval.steps[-1])
        self.settings.put("points", points.nearest(round(span / self.settings.number("interval")) + 1))

    def reset(self) -> None:
        """`*RST`: settings, format, trigger system to idle; the last record is gone."""
        super().reset()
        self._form, self._sensed = RecordFormat(), (1,)

    def _set_continuous(self, call: ReceivedHeader) -> None:
        only(call.elements, 1, 1)
        word = call.elements[0]
        if word.text not in ("OFF", "") or word.number != 0:
            raise ScpiError(-221, "this instrument takes one record for each INITiate")

    def _sense(self, call: ReceivedHeader) -> None:
        only(call.elements, 1, self.inputs)
        numbers = [self._function_number(element) for element in call.elements]
        is_concurrent = bool(self.settings["concurrent"])
        if len(numbers) > 1 and not is_concurrent:
            raise ScpiError(-221, "several functions with CONCurrent OFF")
        self._sensed = tuple(sorted({*self._sensed, *numbers} if is_concurrent else set(numbers)))

    def _sense_not(self, call: ReceivedHeader) -> None:
        only(call.elements, 1, self.inputs)
        numbers = {self._function_number(element) for element in call.elements}
        self._sensed = tuple(number for number in self._sensed if number not in numbers)

    def _function_number(self, element: Element) -> int:
        if element.form is not Form.STRING:
            raise ScpiError(-104, "a function is required, in quotes")
        found = _FUNCTION.match(element.text)
        if not found:
            raise ScpiError(-224, f'{element.text}, not "XTIMe:VOLTage <n>"')
        number = int(found[1] or 1)
        if not 1 <= number <= self.inputs:
            raise ScpiError(-224, f"input {number}, 1 to {self.inputs}")
        return number

    def _set_format(self, call: ReceivedHeader) -> None:
        only(call.elements, 1, 2)
        kind, length = read_format(tuple(call.elements))
        self._form = replace(self._form, kind=kind, length=length)

    def _ask_format(self, call: ReceivedHeader) -> str:
        only(call.elements, 0, 0)
        return f"{self._form.kind},{self._form.length}"

    # --- acquisition

    def input_setup(self, number: int) -> FrontEndSettings:
        """How an input is set now."""
        settings = self.settings
        return FrontEndSettings(
            coupling=str(settings.of("coupling", number)),
            range=settings.number("range", number),
            offset=settings.number("offset", number),
            band_limit=settings.number("filter_frequency", number) if settings.of("filter", number) else None,
            impedance=settings.number("impedance", number),
            bits=self.bits,
        )

    def record_setup(self) -> RecordSetup:
        """First sample at OFFSet:TIME − LOCation · TIME from the trigger."""
        settings = self.settings
        first = settings.number("delay") - settings.number("location") * settings.number("time")
        return RecordSetup(settings.number("interval"), int(settings.number("points")), first)

    def trigger_source(self) -> int:
        """IMMediate, BUS, or INTernal with the number of an input."""
        word = str(self.settings["trigger_source"])
        if word in _SOURCES:
            return _SOURCES[word]
        return int(word[3:])

    def edge_setup(self) -> EdgeSetup:
        """Level, hysteresis, slope."""
        settings = self.settings
        level, hysteresis = settings.number("trigger_level"), settings.number("trigger_hysteresis")
        return EdgeSetup(level, hysteresis, str(settings["trigger_slope"]))

    def is_automatic(self) -> bool:
        """ATRigger."""
        return bool(self.settings["trigger_automatic"])

    def holdoff(self) -> float:
        """HOLDoff, s."""
        return self.settings.number("trigger_holdoff")

    # --- data

    def _ask_data(self, call: ReceivedHeader) -> Reply:
        only(call.elements, 0, 1)
        number = self._function_number(call.elements[0]) if call.elements else call.number
        return self._when_recorded([number], lambda: self._record(number))

    def _fetch(self, name: str, call: ReceivedHeader) -> Reply:
        """What the instrument computes of its record by itself, of each input of a channel list, such as `(@1)`."""
        only(call.elements, 0, 1)
        numbers = self._channels(call.elements[0]) if call.elements else [1]
        factor = 100 if name in _IN_PER_CENT else 1

        def values() -> Answer:
            records = (self.own_record(number) for number in numbers)
            texts = [number_text(factor * CALCULATIONS[name](record)) for record in records]
            return Answer(",".join(texts).encode("ascii"))

        return self._when_recorded(numbers, values)

    def _channels(self, element: Element) -> list[int]:
        if element.form is not Form.EXPRESSION:
            raise ScpiError(-104, "a channel list is required, such as (@1)")
        if not _CHANNELS.match(element.text):
            raise ScpiError(-171, f"({element.text})")
        numbers = [int(number) for number in element.text.strip("@ ").split(",")]
        if not all(1 <= number <= self.inputs for number in numbers):
            raise ScpiError(-224, f"({element.text}), inputs 1 to {self.inputs}")
        return numbers

    def _when_recorded(self, numbers: list[int], answer: Callable[[], Answer]) -> Reply:
        """What is asked of a record comes when it is complete."""
        for number in numbers:
            if number not in self._sensed:
                raise ScpiError(-221, f"input {number} is not among the functions that are on")
        if not self.is_running:
            return answer()
        if self.waits_for_the_bus:
            raise ScpiError(-214)
        return Pending(answer)

    def _record(self, number: int) -> Answer:
        return Answer(record_bytes(self.codes(number), self.scale_of(number), self._form))

    def _preamble(self, call: ReceivedHeader) -> Answer:
        only(call.elements, 0, 0)
        scale = self.scale_of(call.number)
        return Answer(record_bytes(np.zeros(0, np.int8), scale, replace(self._form, is_wrapped=True)))


def _function(number: int) -> str:
    return quoted(f"XTIM:VOLT {number}")
