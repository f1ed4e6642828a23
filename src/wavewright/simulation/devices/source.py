"""The simulated signal source: shapes, frequency, level, duty factor, its output switch."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from wavewright.simulation.circuit.surroundings import Signal
from wavewright.simulation.devices.roles import Making, role
from wavewright.simulation.scpi.faults import ScpiFault
from wavewright.simulation.scpi.instrument import Command, Instrument
from wavewright.simulation.scpi.kinds import Value


@role("source")
class Source(Instrument):
    """Settings: function, frequency, period, amplitude, offset, high, low, duty_percent, width, output."""

    def __init__(self, making: Making) -> None:
        super().__init__(making.identity, making.settings, making.bench.clock)
        self._signal = making.bench.surroundings.signal

    def actions(self) -> Mapping[str, Command]:
        """None beside the settings."""
        return {}

    def adjust(self, key: str, value: Value, number: int) -> Value:
        """A pulse must be shorter than its period; the upper level must be above the lower one."""
        del number
        settings = self.settings
        if key == "width" and float(value) >= 1 / settings.number("frequency"):  # type: ignore[arg-type]
            raise ScpiFault(-221, "the pulse is as long as the period")
        if key == "high" and float(value) <= settings.number("low"):  # type: ignore[arg-type]
            raise ScpiFault(-221, "HIGH at or below LOW")
        if key == "low" and float(value) >= settings.number("high"):  # type: ignore[arg-type]
            raise ScpiFault(-221, "LOW at or above HIGH")
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

    def _apply(self) -> None:
        settings = self.settings
        now = self.clock.now
        before = self._signal.at(now)
        signal = Signal(
            function=str(settings["function"]),
            frequency=settings.number("frequency"),
            low=settings.number("low"),
            high=settings.number("high"),
            duty_factor=settings.number("duty_percent") / 100,
            begins=before.begins,
            is_on=bool(settings["output"]),
        )
        if signal != before:
            self._signal.become(now, replace(signal, begins=now))

    def reset(self) -> None:
        """`*RST`: output off."""
        super().reset()
        self._apply()
