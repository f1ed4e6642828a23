"""The simulated meter: volts, amperes, ohms and the temperature around it, with ranges, integration time and noise."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import ClassVar, SupportsFloat, cast

import numpy as np
from pydantic import Field

from wavewright.grammar.model import GrammarModel
from wavewright.grammar.quantity_fields import Celsius, Farads, Hertz, Ohms, Share
from wavewright.grammar.word_fields import LocatedText
from wavewright.simulation.circuit.power import FeedNode
from wavewright.simulation.circuit.surroundings import Load
from wavewright.simulation.devices.roles import InstrumentContext, SimulatedInstrumentEntry, role
from wavewright.simulation.probing import load_on
from wavewright.simulation.scpi.elements import Element, Form
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.instrument import Command, ReceivedHeader, Reply, SimulatedInstrument
from wavewright.simulation.scpi.parameter_types import INFINITY, number_text, only, quoted

_FUNCTIONS = {
    "voltage": ("VOLT", "VOLTAGE", "VOLT:DC", "VOLTAGE:DC"),
    "ac_voltage": ("VOLT:AC", "VOLTAGE:AC"),
    "current": ("CURR", "CURRENT", "CURR:DC", "CURRENT:DC"),
    "ac_current": ("CURR:AC", "CURRENT:AC"),
    "resistance": ("RES", "RESISTANCE"),
    "temperature": ("TEMP", "TEMPERATURE"),
}
_OF_SENSOR = 0.01  # K, rms noise of the sensor over one period of the mains
_ZERO_CELSIUS = 273.15  # K (SI Brochure, 2.3.1 †)
_SAMPLES = 4096


class MeterDetails(GrammarModel):
    """What a simulated meter is connected to and built like."""

    at: LocatedText = Field(description="node of the board at which volts are read", examples=["rail"])
    reference_resistor: Ohms = Field(
        description="the resistor whose resistance is read; it is not on the board", examples=["4.7 kohm"]
    )
    mains: Hertz = Field(description="frequency of the mains, which integration times count in", examples=["50 Hz"])
    noise: Share = Field(description="rms noise over one period of the mains, of the range", examples=["0.0005 %"])
    ambient: Celsius = Field(
        default=23.0, description="temperature around the bench, which its sensor has", examples=["23 degC"]
    )
    input_resistance: Ohms = Field(
        description="resistance of the terminals, which loads the node", examples=["10 Mohm"]
    )
    input_capacitance: Farads = Field(
        description="capacitance of the terminals, which loads the node", examples=["50 pF"]
    )


_BUILT_LIKE = {
    "at": "rail",
    "reference_resistor": "4.7 kohm",
    "mains": "50 Hz",
    "noise": "0.0005 %",
    "ambient": "23 degC",
    "input_resistance": "10 Mohm",
    "input_capacitance": "50 pF",
}


class SimulatedMeterEntry(SimulatedInstrumentEntry):
    """A simulated meter."""

    details: MeterDetails = Field(description="what the meter is connected to and built like", examples=[_BUILT_LIKE])


@role("meter")
class SimulatedMeter(SimulatedInstrument):
    """Settings by these keys, each with one of the six functions before it: `voltage_range`, `voltage_automatic`,
    `voltage_cycles`, and so on. `temperature` has cycles, and `temperature_unit`: CEL, FAR or K.

    Volts are read at the node that `details: at` names, or to which the operator was told to move the leads; current in
    the lead between the bench supply and the board, ohms on a reference resistor beside the board (the board itself is
    never measured under power), the temperature of the air by a sensor.
    """

    entry: ClassVar[type[SimulatedInstrumentEntry]] = SimulatedMeterEntry

    def __init__(self, making: InstrumentContext[MeterDetails]) -> None:
        super().__init__(making.identity, making.settings, making.bench.clock)
        details = making.details
        self._bench = making.bench
        self._at = str(details.at)
        self._feeds = [node for node in making.bench.board.nodes.values() if isinstance(node, FeedNode)]
        self._resistor = details.reference_resistor
        self._mains = details.mains
        self._ambient = details.ambient
        self._noise = details.noise  # of the range, at one power line cycle
        self._load = Load(details.input_resistance, details.input_capacitance)
        self._generator = np.random.default_rng([making.bench.draw, making.stream])
        self._function = "voltage"
        self._reading: float | None = None

    def actions(self) -> Mapping[str, Command]:
        """What a definition file can give headers to."""
        named: dict[str, Command] = {
            "function": Command(
                tell=self._set_function,
                ask=lambda _: quoted(_FUNCTIONS[self._function][-2]),
            ),
            "read": Command(ask=self._read),
            "fetch": Command(ask=self._fetch),
            "arm": Command(tell=self._take),
            "stop": Command(tell=lambda call: only(call.elements, 0, 0)),
        }
        for name in _FUNCTIONS:
            named[f"configure_{name}"] = Command(tell=self._configuring(name))
            named[f"measure_{name}"] = Command(ask=self._measuring(name))
        return named

    def _set_function(self, call: ReceivedHeader) -> None:
        only(call.elements, 1, 1)
        if call.elements[0].form is not Form.STRING:
            raise ScpiError(-104, "a function is required, in quotes")
        text = call.elements[0].text.upper().strip()
        for name, spellings in _FUNCTIONS.items():
            if text in spellings:
                self._function = name
                return
        raise ScpiError(-224, text)

    def _configuring(self, name: str) -> Callable[[ReceivedHeader], None]:
        def configure(call: ReceivedHeader) -> None:
            only(call.elements, 0, 2)
            self._function, self._reading = name, None
            if name == "temperature":
                return
            self.settings.put(f"{name}_automatic", True)
            if call.elements and call.elements[0].form is Form.NUMBER:
                self._set_range(name, call.elements[0])

        return configure

    def _set_range(self, name: str, expected: Element) -> None:
        value = self.settings.rows[f"{name}_range"].kind.read(expected)
        self.settings.put(f"{name}_range", value)
        self.settings.put(f"{name}_automatic", False)

    def _measuring(self, name: str) -> Callable[[ReceivedHeader], Reply]:
        configure = self._configuring(name)

        def measure(call: ReceivedHeader) -> Reply:
            configure(call)
            return self._read(ReceivedHeader(call.numbers, ()))

        return measure

    def changed(self, key: str, number: int) -> None:
        """Writing a range turns automatic ranging off."""
        del number
        name, _, what = key.rpartition("_")
        if what == "range":
            self.settings.put(f"{name}_automatic", False)

    def reset(self) -> None:
        """`*RST`: dc volts, automatic range."""
        super().reset()
        self._function, self._reading = "voltage", None

    def _read(self, call: ReceivedHeader) -> str:
        self._take(call)
        assert self._reading is not None
        return number_text(self._reading)

    def _fetch(self, call: ReceivedHeader) -> str:
        only(call.elements, 0, 0)
        if self._reading is None:
            raise ScpiError(-230, "no reading was taken")
        return number_text(self._reading)

    def _take(self, call: ReceivedHeader) -> None:
        """Integrate over the set number of power line cycles; overload reads 9.9E37."""
        only(call.elements, 0, 0)
        name = self._function
        cycles = self.settings.number(f"{name}_cycles")
        begin, seconds = self.clock.now, cycles / self._mains
        value = self._value(begin, seconds)
        self.clock.advance(seconds)
        if name == "temperature":
            warmth = self._ambient + _OF_SENSOR / math.sqrt(cycles) * float(self._generator.standard_normal())
            self._reading = _in_unit(warmth, str(self.settings.of("temperature_unit", 1)))
            return
        kind = self.settings.rows[f"{name}_range"].kind
        if self.settings.of(f"{name}_automatic", 1):
            limit = float(cast("SupportsFloat", kind.limit("MAX")))
            steps = getattr(kind, "steps", ())
            self.settings.put(f"{name}_range", next((step for step in steps if abs(value) <= 1.2 * step), limit))
        span = self.settings.number(f"{name}_range")
        value += self._noise * span / math.sqrt(cycles) * float(self._generator.standard_normal())
        self._reading = value if abs(value) <= 1.2 * span else math.copysign(INFINITY, value)

    def _value(self, begin: float, seconds: float) -> float:
        if self._function in ("voltage", "ac_voltage"):
            moved = self._bench.probing.meter_node
            node = self._bench.board.nodes.get(moved or self._at)
            if node is None:  # a board of one's own beside the shipped meter, which need not be on the bench at all
                raise ScpiError(-241, f"`at: {self._at}` is not a node of the board")
            load = self._load
            if moved:  # beside the probes: what they do to the node, the meter sees too
                load = load.beside(load_on(moved, self._bench.probing.snapshot(), {}))
            motion = node.motion(begin, begin + seconds, load)
            volts = motion.sampled(begin, seconds / _SAMPLES, _SAMPLES)
            return float(volts.mean() if self._function == "voltage" else volts.std())
        if self._function == "resistance":
            return self._resistor
        if self._function == "ac_current":
            return 0.0
        feed = self._bench.surroundings.feed.at(begin)
        return sum(node.current(feed) for node in self._feeds)


def _in_unit(celsius: float, unit: str) -> float:
    """A temperature in another unit, as SCPI calls it."""
    return {"FAR": 32.0 + 1.8 * celsius, "K": celsius + _ZERO_CELSIUS}.get(unit, celsius)
