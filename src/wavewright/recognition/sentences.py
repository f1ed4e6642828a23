"""What was recognised, in one sentence with its numbers."""

from __future__ import annotations

from collections.abc import Mapping

from wavewright.quantities import show_quantity
from wavewright.recognition.recognised import Kind, Recognised, SerialLine, Together


def sentence(found: Recognised) -> str:
    """What is on a line: `pulses between 0 V and 3.27 V, 9.929 kHz, duty factor 59.6 %`."""
    parts = [_what(found)]
    if found.frequency is not None:
        parts.append(_hertz(found.frequency))
    if found.duty_factor is not None:
        parts.append(f"duty factor {show_quantity(found.duty_factor, '1', resolution=0.001)}")
    if found.kind is Kind.PULSES and found.frequency is None and found.pulse is not None:
        parts.append(f"the shortest {show_quantity(found.pulse, 's')}")
    if found.serial is not None:
        parts.append(serial_words(found.serial))
    return ", ".join(parts)


def serial_words(serial: SerialLine) -> str:
    """A bus with its settings: `uart 19200 Bd, parity even, then modbus_rtu`."""
    options = []
    for name, value in serial.options.items():
        if name == "baud":
            options.append(f"{value:g} Bd")
        elif name in ("bit_rate", "data_bit_rate"):
            options.append(f"{show_quantity(float(value), 'Bd')}")
        elif isinstance(value, bool):
            options.append(name.replace("_", " ") if value else "")
        else:
            options.append(f"{name.replace('_', ' ')} {value}")
    text = ", ".join(["".join([serial.bus, " ", options[0]]) if options else serial.bus, *options[1:]])
    text += ", inverted" if serial.is_inverted else ""
    text += f", then {serial.then}" if serial.then else ""
    return text + (f", {serial.frames} frames" if serial.frames else "")


def together_words(together: Together, names: Mapping[str, str]) -> str:
    """Which lines belong together: `i2c: scl on input 1, sda on input 2`."""
    lines = ", ".join(f"{role} on {names.get(name, name)}" for role, name in together.lines.items())
    return f"{serial_words(together.serial)}: {lines}"


def _what(found: Recognised) -> str:
    unit = found.unit
    if found.kind is Kind.NOTHING:
        return "nothing: no more than an open input shows"
    if found.kind is Kind.STEADY:
        level = show_quantity(found.level or 0.0, unit)
        if found.ripple is None:
            return f"steady at {level}"
        text = f"steady at {level}, with a ripple of {show_quantity(found.ripple, unit, resolution=found.ripple / 50)}"
        return text if found.ripple_frequency is None else f"{text} at {_hertz(found.ripple_frequency)}"
    low, high = found.low or 0.0, found.high or 0.0
    step = (high - low) / 300
    between = f"between {show_quantity(low, unit, resolution=step)} and {show_quantity(high, unit, resolution=step)}"
    return f"{found.kind} {between}" if found.kind is not Kind.EDGE else f"one edge {between}"


def _hertz(frequency: float) -> str:
    return show_quantity(frequency, "Hz", resolution=frequency / 1e4)
