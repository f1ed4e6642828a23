"""`decode:`: what is said on the lines of a bus, `line: {bus: uart, tx: tx, baud: 19200, then: modbus_rtu}`."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from wavewright.analysis.parameters import read_parameter
from wavewright.buses.bus_setup import check_levels
from wavewright.buses.catalogue import BUSES, Bus, Layer, find_layer
from wavewright.buses.decode import check_decoding
from wavewright.errors import Place
from wavewright.grammar.located_yaml import YamlMapping, YamlScalar, without_places
from wavewright.recipe.decoded_line import Decoding
from wavewright.recipe.name_checks import NameChecks, one_of

FORM = "{bus: uart, tx: channel, …}"


class DecodingEntry(BaseModel):
    """A line to be decoded. Every other key is a channel of the bus, or an option of the bus or the layer."""

    model_config = ConfigDict(extra="allow", frozen=True, defer_build=True)

    bus: str = Field(description="name of the bus")
    then: str | None = Field(default=None, description="name of the layer above the bus")
    levels: Any = Field(
        default=None,
        description="logic levels: a family, two voltages, or auto",
        examples=["auto", {"low": "0.8 V", "high": "2 V"}],
    )
    about: str | None = Field(
        default=None, description="what it is for", examples=["the master and the unit, half duplex"]
    )


KEYS = tuple(DecodingEntry.model_fields)


def read_decodings(tree: YamlMapping, checks: NameChecks) -> dict[str, Decoding]:
    """The `decode:` block of a measurement."""
    found: dict[str, Decoding] = {}
    for name, entry in checks.entries(tree, "decode", form=FORM):
        before = len(checks.faults)
        if name in checks.units:
            checks.note_fault(f"`{name}` is a channel already", where=name.place, expected="a name of its own")
        decoding = _read(name, entry, checks)
        if decoding is not None and len(checks.faults) == before:
            found[str(name)] = decoding
    checks.decodings.update(found)
    return found


def _read(name: YamlScalar, entry: YamlMapping, checks: NameChecks) -> Decoding | None:
    before = len(checks.faults)
    bus: Bus | None = None
    layer: Layer | None = None
    if "bus" not in entry:
        checks.note_fault(f"`{name}` does not say which bus", where=name.place, expected=f"`{FORM}`")
        return None
    with checks.faults_placed_at(entry.value_place("bus")):
        bus = BUSES.find(str(entry.scalar_at("bus") or ""))
    if bus is None:
        return None
    then = entry.scalar_at("then")
    with checks.faults_placed_at(entry.value_place("then")):
        layer = None if then is None else find_layer(then, on=bus.name)
    channels = _read_channels(entry, bus, checks)
    options = _read_options(entry, bus, layer, checks)
    above = None if layer is None else layer.name
    if len(checks.faults) == before:
        with checks.faults_placed_at(name.place):
            check_decoding(bus.name, channels=channels, then=above, **options)
    about = str(entry.scalar_at("about") or "")
    return Decoding(str(name), bus.name, channels, above or "", options, about, name.place)


def _read_channels(entry: YamlMapping, bus: Bus, checks: NameChecks) -> dict[str, str]:
    """The measurement's channel on each line of the bus."""
    found: dict[str, str] = {}
    for line in bus.lines:
        word, where = entry.scalar_at(line), entry.value_place(line)
        if word is not None:
            checks.check_names(word, checks.units, where=where)
            found[line] = str(word)
        elif line in entry:
            checks.note_fault(f"`{line}` does not name a channel", where=where, expected=one_of(checks.units))
    return found


def _read_options(entry: YamlMapping, bus: Bus, layer: Layer | None, checks: NameChecks) -> dict[str, Any]:
    """The options of the bus and the layer, each tried by itself, so that each has its place."""
    parameters = [*bus.parameters, *(layer.parameters if layer else ())]
    known = {parameter.name: parameter.annotation for parameter in parameters}
    found: dict[str, Any] = {}
    for key in [key for key in entry if key not in bus.lines]:
        value = without_places(entry[key])
        if key in known:
            found[str(key)] = value
            with checks.faults_placed_at(entry.value_place(key)):
                read_parameter(value, known[key], name=key)
        elif key == "levels":
            found[str(key)] = value
            with checks.faults_placed_at(_levels_place(entry, bus)):
                check_levels(bus, [line for line in bus.lines if line in entry], value)
        elif key not in KEYS:
            keys = [*KEYS, *bus.lines, *known]
            checks.note_fault(
                f"unknown key `{key}` of bus `{bus.name}`",
                where=entry.key_place(key),
                expected=f"one of {', '.join(keys)}",
                do=bus.instead_of(key, keys),
            )
    return found


def _levels_place(entry: YamlMapping, bus: Bus) -> Place:
    """Where a fault of the levels is: at the first channel among them that is not there, if there is one."""
    levels = entry.mapping_at("levels")
    return next((levels.key_place(line) for line in levels if line not in bus.lines), entry.value_place("levels"))
