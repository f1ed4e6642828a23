"""The settings that the roles speak of: what each is, in which unit, and in which order they are sent.

A profile says for its kind of instrument how each is set and asked for, and leaves out what there is none of. Values
are SI, at the instrument's own connector. The order matters: a range before its offset, limits before levels.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType


class Role(StrEnum):
    """What an instrument does for a measurement, after the classes of SCPI-99 volume 4."""

    DIGITIZER = "digitizer"
    SOURCE = "source"
    SUPPLY = "supply"
    METER = "meter"
    DISPLAY = "display"  # shows the operator what to do next


class ValueKind(StrEnum):
    """What a setting's value is."""

    NUMBER = "number"
    COUNT = "count"
    BOOLEAN = "boolean"
    WORD = "word"
    TEXT = "text"
    INPUTS = "inputs"  # several input numbers
    EVENT = "event"  # no value, no query


@dataclass(frozen=True, slots=True)
class VocabularyEntry:
    """One setting: the kind of its value, the unit of a number, the words of a word, and what it is."""

    kind: ValueKind
    about: str
    unit: str = ""
    words: tuple[str, ...] = ()
    per_input: bool = False


def _number(unit: str, about: str, *, per_input: bool = False) -> VocabularyEntry:
    return VocabularyEntry(ValueKind.NUMBER, about, unit=unit, per_input=per_input)


def _switch(about: str, *, per_input: bool = False) -> VocabularyEntry:
    return VocabularyEntry(ValueKind.BOOLEAN, about, per_input=per_input)


_DIGITIZER = {
    "inputs.used": VocabularyEntry(ValueKind.INPUTS, "the inputs to be recorded, in one message"),
    "input.on": _switch("an input is recorded", per_input=True),
    "input.coupling": VocabularyEntry(
        ValueKind.WORD, "coupling of an input", words=("dc", "ac", "ground"), per_input=True
    ),
    "input.impedance": _number("ohm", "impedance of an input", per_input=True),
    "input.bandwidth_limit.on": _switch("the bandwidth limit is on", per_input=True),
    "input.bandwidth_limit": _number("Hz", "corner of the bandwidth limit", per_input=True),
    "input.range": _number("V", "full scale, peak to peak", per_input=True),
    "input.offset": _number("V", "the voltage in the middle of the range", per_input=True),
    "input.upper": _number("V", "the most positive voltage of the range", per_input=True),
    "input.lower": _number("V", "the most negative voltage of the range", per_input=True),
    "timebase.interval": _number("s", "time between two samples"),
    "timebase.rate": _number("Hz", "samples per second"),
    "timebase.points": VocabularyEntry(ValueKind.COUNT, "number of samples"),
    "timebase.span": _number("s", "from the first sample to the last"),
    "timebase.reference_position": _number(
        "1", "position of the reference point in the record: 0 first sample, 1 last"
    ),
    "timebase.reference_time": _number("s", "from the trigger to the reference point"),
    "timebase.before_trigger": _number("s", "from the first sample to the trigger"),
    "trigger.source": VocabularyEntry(ValueKind.WORD, "what triggers", words=("input", "immediate")),
    "trigger.level": _number("V", "the level to be crossed"),
    "trigger.slope": VocabularyEntry(
        ValueKind.WORD, "direction of the crossing", words=("rising", "falling", "either")
    ),
    "trigger.hysteresis": _number("V", "how far the signal must come back before the next crossing counts"),
    "trigger.holdoff": _number("s", "shortest time between two triggers"),
    "trigger.auto": _switch("without a trigger the record is taken after a while"),
}
_SUPPLY = {
    "voltage_protection": _number("V", "voltage at which the output trips"),
    "voltage_protection.on": _switch("the output trips on voltage"),
    "current_protection": _number("A", "current at which the output trips"),
    "current_protection.on": _switch("the output trips on current"),
    "current_limit": _number("A", "current that is not exceeded"),
    "voltage": _number("V", "output voltage"),
    "output": _switch("the output is on"),
    "measured.voltage": _number("V", "voltage at the terminals, measured by the supply"),
    "measured.current": _number("A", "current of the output, measured by the supply"),
    "protection.voltage_tripped": _switch("the voltage protection has tripped"),
    "protection.current_tripped": _switch("the current protection has tripped"),
    "protection.clear": VocabularyEntry(ValueKind.EVENT, "clear a tripped protection"),
}
_SOURCE = {
    "function": VocabularyEntry(
        ValueKind.WORD,
        "shape of the signal",
        words=("sine", "square", "triangle", "ramp", "pulse", "dc", "noise", "arbitrary"),
    ),
    "frequency": _number("Hz", "frequency"),
    "amplitude": _number("V", "peak to peak"),
    "offset": _number("V", "mean of the two peaks"),
    "duty_factor": _number("1", "pulse duration over period"),
    "symmetry": _number("1", "rising part of a ramp over its period"),
    "width": _number("s", "pulse duration"),
    "phase": _number("rad", "phase"),
    "burst.on": _switch("a trigger gives a number of periods"),
    "burst.cycles": VocabularyEntry(ValueKind.COUNT, "periods for one trigger"),
    "arbitrary": VocabularyEntry(ValueKind.EVENT, "takes the samples of one period as a block"),
    "trigger": VocabularyEntry(ValueKind.EVENT, "gives one burst"),
    "output": _switch("the output is on"),
}
_METER = {
    "quantity": VocabularyEntry(
        ValueKind.WORD,
        "what is measured",
        words=("dc_voltage", "ac_voltage", "dc_current", "ac_current", "resistance", "temperature"),
    ),
    "temperature.unit": VocabularyEntry(
        ValueKind.WORD, "unit in which temperatures are read", words=("celsius", "fahrenheit", "kelvin")
    ),
    "range.auto": _switch("the meter finds its range"),
    "range": _number("", "largest magnitude expected, in the unit of the quantity"),
    "cycles": _number("", "aperture in periods of the mains"),
    "reading": _number("", "one reading, in the unit of the quantity"),
}
_DISPLAY = {"text": VocabularyEntry(ValueKind.TEXT, "what the operator reads")}

VOCABULARY: Mapping[Role, Mapping[str, VocabularyEntry]] = MappingProxyType(
    {
        Role.DIGITIZER: MappingProxyType(_DIGITIZER),
        Role.SUPPLY: MappingProxyType(_SUPPLY),
        Role.SOURCE: MappingProxyType(_SOURCE),
        Role.METER: MappingProxyType(_METER),
        Role.DISPLAY: MappingProxyType(_DISPLAY),
    }
)

METER_UNITS: Mapping[str, str] = MappingProxyType(
    {
        "dc_voltage": "V",
        "ac_voltage": "V",
        "dc_current": "A",
        "ac_current": "A",
        "resistance": "ohm",
        "temperature": "degC",
    }
)


_IN_AN_OUTCOME = re.compile(r"(?:step\d+\.(?P<role>\w+)\.|(?P<meter>meter)\.[^.]+\.)?(?P<setting>.+)")
_INPUT = re.compile(r"^input\d+\.")


def unit_of(name: str) -> str:
    """The unit of a setting by the name that an outcome has for it; empty where it has none, or is not known.

    Examples
    --------
    >>> unit_of("input2.range"), unit_of("step1.supply.voltage"), unit_of("meter.rail.quantity")
    ('V', 'V', '')
    """
    found = _IN_AN_OUTCOME.fullmatch(name)
    assert found is not None
    role = found["role"] or found["meter"] or Role.DIGITIZER
    setting = _INPUT.sub("input.", found["setting"])
    entry = VOCABULARY[Role(role)].get(setting) if role in tuple(Role) else None
    return "" if entry is None else entry.unit


def known_settings() -> frozenset[str]:
    """The names of all settings of all roles."""
    return frozenset(name for entries in VOCABULARY.values() for name in entries)
