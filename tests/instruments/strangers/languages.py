"""What the devices understand: SCPI-99 as far as the shipped profiles use it, and `tarn`, which is invented."""

from __future__ import annotations

import re

from tests.instruments.strangers.devices import Device, Digitizer, Meter, Supply, short

# SCPI-99: header -> name of the state; `#` is the number of an input. From memory, not verified.
SCPI = {
    "SENSE#:VOLTAGE:RANGE:PTPEAK": "range#",
    "SENSE#:VOLTAGE:RANGE:OFFSET": "offset#",
    "INPUT#:COUPLING": "coupling#",
    "INPUT#:FILTER:LPASS:STATE": "lowpass#",
    "SENSE:SWEEP:TINTERVAL": "interval",
    "SENSE:SWEEP:POINTS": "points",
    "SENSE:SWEEP:OREFERENCE:LOCATION": "position",
    "SENSE:SWEEP:OFFSET:TIME": "reference",
    "TRIGGER:SOURCE": "trigger",
    "TRIGGER:LEVEL": "level",
    "TRIGGER:SLOPE": "slope",
    "TRIGGER:ATRIGGER:STATE": "auto",
    "SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE": "voltage|amplitude",
    "SOURCE:VOLTAGE:LEVEL:IMMEDIATE:OFFSET": "offset",
    "SOURCE:CURRENT:LEVEL:IMMEDIATE:AMPLITUDE": "current_limit",
    "SOURCE:FREQUENCY:CW": "frequency",
    "SOURCE:FUNCTION:SHAPE": "function",
    "OUTPUT:STATE": "output",
    "SENSE:VOLTAGE:DC:RANGE:AUTO": "seeks_range",
    "UNIT:TEMPERATURE": "warmth",
}
# Messages that change nothing here: taken without a word.
SCPI_TAKEN = (
    "INITIATE:CONTINUOUS", "FORMAT:", "SENSE:FUNCTION", "UNIT:ANGLE", "ABORT", "INITIATE", "TRIGGER:IMMEDIATE", "*CLS",
)  # fmt: skip

TARN = {
    "lane # span": "range#",
    "lane # mid": "offset#",
    "lane # join": "coupling#",
    "tick": "interval",
    "count": "points",
    "lead": "lead",
    "spark level": "level",
    "spark slope": "slope",
    "spark auto": "auto",
    "spark from": "trigger",
    "volts": "voltage|amplitude",
    "middle": "offset",
    "amps": "current_limit",
    "pace": "frequency",
    "shape": "function",
    "gate": "output",
    "look": "quantity",
    "scale": "warmth",
}
TARN_TAKEN = ("go", "halt", "spark now")
_TARN_SWITCH = {"open": 1.0, "shut": 0.0, "yes": 1.0, "no": 0.0}
_TARN_WORDS = {"output": ("shut", "open"), "auto": ("no", "yes")}


def scpi(device: Device, message: str) -> bytes | None:
    """What SCPI-99 answers; None for messages without an answer."""
    if message == "*IDN?":
        return f"{device.identity}\n".encode()
    if message == "*RST":
        return device.reset()
    if message == "*CLS":  # IEEE 488.2-1992, 10.3 (from memory, not verified)
        device.errors.clear()
        device.has_restarted = False
        return None
    if message == "*ESR?":
        answer = b"128\n" if device.has_restarted else b"0\n"
        device.has_restarted = False
        return answer
    if message.upper().startswith("SYST"):
        code, text = device.errors.pop(0) if device.errors else (0, "No error")
        return f'{code},"{text}"\n'.encode()
    if message == "*OPC?":
        return b"1\n"
    if message.startswith("SENSe:DATA?") and isinstance(device, Digitizer):
        number = int(message.rpartition(" ")[2].strip('"'))
        return _block(device.codes(number, bits=8).astype("i1").tobytes())
    if message.startswith("CONFigure:SCALar:"):
        return device.set("quantity", short(message.removeprefix("CONFigure:SCALar:")))
    if message == "SENSe:FUNCtion?" and isinstance(device, Meter):
        return f'"{device.state["quantity"]}"\n'.encode()
    if message == "READ?" and isinstance(device, Meter):
        return _number(device.reading())
    if message.startswith("MEASure:SCALar:VOLTage") and isinstance(device, Supply):
        return _number(device.measured())
    if message.startswith("MEASure:SCALar:CURRent"):
        return _number(0.01 * device.world.volts)
    if message == "SENSe:SWEep:TIME?":
        return _number(float(device.state["interval"]) * (float(device.state["points"]) - 1))
    header, _, value = message.partition(" ")
    name = _name(SCPI, re.sub(r"(?<=[a-zA-Z])(\d)", "#", header.rstrip("?"), count=1).upper(), header, device)
    if name is None:
        if not header.upper().startswith(SCPI_TAKEN):
            device.errors.append((-113, f"Undefined header;{header}"))
        return None
    if header.endswith("?"):
        held = device.state[name]
        return f"{held}\n".encode() if isinstance(held, str) else _number(held)
    device.set(name, _scpi_value(value))
    return None


def tarn(device: Device, message: str) -> bytes | None:
    """What `tarn` answers; every answer says what it is about."""
    if message == "who?":
        return f"{device.identity}\n".encode()
    if message == "fresh":
        return device.reset()
    if message == "woke?":
        answer = b"1\n" if device.has_restarted else b"0\n"
        device.has_restarted = False
        return answer
    if message == "moan?":
        code, text = device.errors.pop(0) if device.errors else (0, "quiet")
        return f"{code}:{text}\n".encode()
    if message == "state?":
        return b"idle\n"
    if (found := re.fullmatch(r"codes (\d)\?", message)) and isinstance(device, Digitizer):
        return _block(device.codes(int(found[1]), bits=16).astype("<i2").tobytes())
    if message == "probe volts?" and isinstance(device, Supply):
        return f"probe={device.measured():.6g}\n".encode()
    if message == "take?" and isinstance(device, Meter):
        return f"take={device.reading()}\n".encode()
    if message in TARN_TAKEN:
        return None
    bare, _, value = message.removesuffix("?").rpartition(" ") if not message.endswith("?") else (message[:-1], "", "")
    name = _name(TARN, re.sub(r"(?<=lane )\d", "#", bare), bare, device)
    if name is None:
        device.errors.append((7, f"what is {message}"))
        return None
    if message.endswith("?"):
        held = device.state[name]
        if name in _TARN_WORDS:
            held = _TARN_WORDS[name][int(float(held))]
        return f"{bare}={held}\n".encode()
    device.set(name, _TARN_SWITCH[value] if value in _TARN_SWITCH else _scpi_value(value))
    return None


LANGUAGES = {"scpi": scpi, "tarn": tarn}


def _name(table: dict[str, str], general: str, exact: str, device: Device) -> str | None:
    names = table.get(general)
    if names is None:
        return None
    number = re.search(r"\d", exact)
    every = [name.replace("#", number[0] if number else "") for name in names.split("|")]
    return next((name for name in every if name in device.state), None)


def _scpi_value(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return {"ON": 1.0, "OFF": 0.0}.get(text, short(text) if text[:1].isupper() else text)


def _number(value: float) -> bytes:
    return b"%.9E\n" % value


def _block(data: bytes) -> bytes:
    return b"#6%06d" % len(data) + data + b"\n"
