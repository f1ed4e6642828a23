"""The simulated signal source: shapes, frequency, level, duty factor, its output switch."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import ClassVar, SupportsFloat, cast

import numpy as np

from wavewright.simulation.circuit.surroundings import SourceSignal
from wavewright.simulation.devices.roles import InstrumentContext, SimulatedInstrumentEntry, role
from wavewright.simulation.scpi.elements import Form
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.instrument import Command, ReceivedHeader, SimulatedInstrument
from wavewright.simulation.scpi.parameter_types import Value, only

_FULL_SCALE = 32767
_MOST_SAMPLES = 65536


@role("source")
class SimulatedSource(SimulatedInstrument):
    """Settings: function, frequency, period, amplitude, offset, high, low, duty_percent, width, phase,
    angle_unit, repeats, burst_source, burst_cycles, output.

    One pass of the trigger layer gives one period. With the arming source BUS (`burst_source`) the terminal rests
    until `*TRG`, after which the layer is passed `burst_cycles` times; `repeats` then lets the next `*TRG` count.
    """

    entry: ClassVar[type[SimulatedInstrumentEntry]] = SimulatedInstrumentEntry

    def __init__(self, making: InstrumentContext[None]) -> None:
        super().__init__(making.identity, making.settings, making.bench.clock)
        self._signal = making.bench.surroundings.signal
        self._samples: tuple[float, ...] = ()

    def actions(self) -> Mapping[str, Command]:
        """What a definition file can give headers to."""
        return {"samples": Command(tell=self._take_samples)}

    def _take_samples(self, call: ReceivedHeader) -> None:
        """One period as a block of 16-bit integers, most significant byte first, full scale for high and low."""
        only(call.elements, 2, 2)
        name, block = call.elements
        if name.form is not Form.WORD or name.text != "USER":
            raise ScpiError(-224, "USER is the only trace there is")
        if block.form is not Form.BLOCK:
            raise ScpiError(-104, f"{Form.BLOCK} is required")
        if len(block.block) % 2 or not 2 <= len(block.block) // 2 <= _MOST_SAMPLES:
            raise ScpiError(-223, f"2 to {_MOST_SAMPLES} samples of two bytes")
        codes = np.frombuffer(block.block, ">i2").astype(np.float64)
        self._samples = tuple(np.clip((codes / _FULL_SCALE + 1) / 2, 0.0, 1.0).tolist())
        self._apply()

    def adjust(self, key: str, value: Value, number: int) -> Value:
        """A pulse must be shorter than its period; the upper level must be above the lower one."""
        del number
        settings = self.settings
        stated = float(cast("SupportsFloat", value)) if key in ("width", "high", "low") else 0.0
        if key == "width" and stated >= 1 / settings.number("frequency"):
            raise ScpiError(-221, "the pulse is as long as the period")
        if key == "high" and stated <= settings.number("low"):
            raise ScpiError(-221, "HIGH at or below LOW")
        if key == "low" and stated >= settings.number("high"):
            raise ScpiError(-221, "LOW at or above HIGH")
        return value

    def changed(self, key: str, number: int) -> None:
        """Some settings say the same in two ways; the other one follows."""
        del number
        settings = self.settings
        if key in ("amplitude", "offset"):
            amplitude, offset = settings.number("amplitude"), settings.number("offset")
            settings.put("high", offset + amplitude / 2)
            settings.put("low", offset - amplitude / 2)
        elif key in ("high", "low"):
            high, low = settings.number("high"), settings.number("low")
            settings.put("amplitude", high - low)
            settings.put("offset", (high + low) / 2)
        elif key == "period":
            settings.put("frequency", 1 / settings.number("period"))
        elif key == "frequency":
            settings.put("period", 1 / settings.number("frequency"))
        elif key == "width":
            settings.put("duty_percent", 100 * settings.number("width") * settings.number("frequency"))
        if key in ("duty_percent", "frequency", "period"):
            settings.put("width", settings.number("duty_percent") / 100 / settings.number("frequency"))
        self._apply()

    def _running(self) -> SourceSignal:
        """What the terminal gives while no burst source holds it back."""
        settings = self.settings
        return SourceSignal(
            function=str(settings["function"]),
            frequency=settings.number("frequency"),
            low=settings.number("low"),
            high=settings.number("high"),
            duty_factor=settings.number("duty_percent") / 100,
            is_on=bool(settings["output"]),
            samples=self._samples,
        )

    def _resting(self) -> SourceSignal:
        """Between two bursts: where the period begins."""
        running = self._running()
        height = 0.5 if running.function == "SIN" else 0.0
        if running.function == "USER" and running.samples:
            height = running.samples[0]
        level = running.low + height * (running.high - running.low)
        return replace(running, function="DC", low=level, high=level)

    def _apply(self) -> None:
        now = self.clock.now
        signal = self._running() if self.settings["burst_source"] == "IMM" else self._resting()
        before = self._signal.at(now)
        if signal != replace(before, begins=0.0):
            self._signal.become(now, replace(signal, begins=now - self._lead(signal)))

    def _lead(self, signal: SourceSignal) -> float:
        """How long ago the period would have begun, for the phase that is set, s."""
        phase = self.settings.number("phase")
        turns = phase / (2 * math.pi) if self.settings["angle_unit"] == "RAD" else phase / 360
        return (turns % 1.0) / signal.frequency

    def trigger(self) -> None:
        """`*TRG`: one burst; −211 where no arming is waited for."""
        if self.settings["burst_source"] == "IMM" or not self.settings["repeats"]:
            raise ScpiError(-211)
        now, signal = self.clock.now, self._running()
        self._signal.become(now, replace(signal, begins=now - self._lead(signal)))
        self._signal.become(now + self.settings.number("burst_cycles") / signal.frequency, self._resting())

    def reset(self) -> None:
        """`*RST`: output off."""
        super().reset()
        self._samples = ()
        self._apply()
