"""`decode:`: what is said on the lines of a bus, `line: {bus: uart, tx: tx, baud: 19200, then: modbus_rtu}`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from wavewright.analysis.parameters import read_parameter
from wavewright.buses.catalogue import Bus, find_bus, find_layer
from wavewright.buses.decode import check_decoding
from wavewright.buses.levels import LogicLevels
from wavewright.errors import FileFault, Place
from wavewright.recipe.noting import named_entries, placed, unknown_names
from wavewright.recipe.places import Block, Word, unplaced

FORM = "{bus: uart, tx: channel, …}"


class DecodingEntry(BaseModel):
    """A line to be decoded. Every other key is a channel of the bus, or an option of the bus or the layer."""

    model_config = ConfigDict(extra="allow", frozen=True)

    bus: str = Field(description="name of the bus")
    then: str | None = Field(default=None, description="name of the layer above the bus")
    levels: Any = Field(default=None, description="logic levels: a family, two voltages, or auto")
    about: str | None = Field(default=None, description="what it is for")


KEYS = tuple(DecodingEntry.model_fields)


@dataclass(frozen=True, slots=True)
class Decoding:
    """One line to be decoded, checked.

    Parameters
    ----------
    channels : the measurement's channel for each channel of the bus.
    then : the layer above the bus, or empty.
    options : of the bus and the layer, and `levels`, as they are written; `decode` converts them.
    """

    name: str
    bus: str
    channels: Mapping[str, str]
    then: str = ""
    options: Mapping[str, Any] = field(default_factory=dict)
    about: str = ""
    place: Place | None = field(default=None, compare=False)


def read_decodings(
    tree: Block, units: Mapping[str, str], faults: list[FileFault], *, owner: str
) -> dict[str, Decoding]:
    """The `decode:` block of a measurement.

    Parameters
    ----------
    units : unit of every channel, by name.
    faults : takes what is wrong.
    owner : name of the measurement, for messages.
    """
    found: dict[str, Decoding] = {}
    for name, entry in named_entries(tree, "decode", faults, owner=owner, form=FORM):
        before = len(faults)
        if name in units:
            faults.append(FileFault(f"`{name}` is a channel already", where=name.place, expected="a name of its own"))
        if "bus" not in entry:
            faults.append(FileFault(f"`{name}` does not say which bus", where=name.place, expected=f"`{FORM}`"))
            continue
        decoding = _read(name, entry, units, faults)
        if decoding is not None and len(faults) == before:
            found[str(name)] = decoding
    return found


def _read(name: Word, entry: Block, units: Mapping[str, str], faults: list[FileFault]) -> Decoding | None:
    bus: Bus | None = None
    then = entry.word("then")
    known: dict[str, Any] = {}
    with placed(faults, entry.value_place("bus")):
        bus = find_bus(str(entry.word("bus") or ""))
        known = {parameter.name: parameter.annotation for parameter in bus.parameters}
    if bus is None:
        return None
    before = len(faults)
    with placed(faults, entry.value_place("then")):
        if then is not None:
            above = find_layer(then, on=bus.name)
            known |= {parameter.name: parameter.annotation for parameter in above.parameters}
    lines = {line.rstrip("?") for names in bus.channels for line in names}
    channels: dict[str, str] = {}
    options: dict[str, Any] = {}
    for key, value in entry.items():
        if key in lines:
            channels[str(key)] = str(value)
            faults.extend(_channel_faults(entry, key, units))
        elif key not in KEYS and key not in known:
            faults.append(_unknown(key, entry, bus, [*KEYS, *sorted(lines), *known]))
        elif key == "levels":
            options["levels"] = unplaced(value)
            with placed(faults, entry.value_place(key)):
                for each in options["levels"].values() if isinstance(value, Block) else [options["levels"]]:
                    LogicLevels.read(each)
        elif key in known:
            options[str(key)] = unplaced(value)
            with placed(faults, entry.value_place(key)):
                read_parameter(options[str(key)], known[key], name=key)
    if len(faults) == before:
        with placed(faults, name.place):
            check_decoding(bus.name, channels=channels, then=None if then is None else str(then), **options)
    return Decoding(str(name), bus.name, channels, str(then or ""), options, str(entry.word("about") or ""), name.place)


def _channel_faults(entry: Block, key: str, units: Mapping[str, str]) -> list[FileFault]:
    where = entry.value_place(key)
    if entry.word(key) is None:
        return [FileFault(f"`{key}` names no channel", where=where, expected=f"one of {', '.join(units)}")]
    return list(unknown_names(entry[key], units, where=where))


def _unknown(key: str, entry: Block, bus: Bus, known: list[str]) -> FileFault:
    near = get_close_matches(key, known, 1)
    return FileFault(
        f"unknown key `{key}` of bus `{bus.name}`",
        where=entry.key_place(key),
        expected=f"one of {', '.join(known)}",
        do=f"did you mean `{near[0]}`?" if near else "",
    )
