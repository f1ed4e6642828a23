"""Instrument files: pyvisa-sim definitions with one more key, `wavewright:`, that says what our devices are."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import ConfigDict, Field

from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.alternatives import ChosenBy
from wavewright.grammar.located_yaml import YamlMapping, parse_tree, place_of, read_text
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import validated
from wavewright.grammar.word_fields import LocatedText
from wavewright.simulation.bench import SimulatedBench
from wavewright.simulation.devices.roles import InstrumentContext, SimulatedInstrumentEntry, roles
from wavewright.simulation.disturbances.plan import DisturbancePlan
from wavewright.simulation.scpi.device import ScpiDevice
from wavewright.simulation.scpi.settings import Settings, SimulatedSetting


def _entries() -> Mapping[str, type[SimulatedInstrumentEntry]]:
    return {name: make.entry for name, make in roles().items()}


_EXAMPLE = {
    "screen": {
        "resource": "TCPIP0::prompts.example::inst0::INSTR",
        "acts_as": "prompts",
        "identity": "Wavewright,Simulated operator screen,WP-0204,1.0",
        "settings": {"text": {"header": "DISPlay[:WINDow<n>]:TEXT[:DATA]", "takes": "text", "most": "4k"}},
    }
}


class ElsewhereEntry(GrammarModel):
    """An instrument that another file describes, under the same name."""

    file: LocatedText = Field(description="the other file; a relative path begins here", examples=["instruments.yaml"])


class CommandTables(GrammarModel):
    """The instruments that Wavewright's own simulation makes."""

    instruments: dict[str, Annotated[SimulatedInstrumentEntry, ChosenBy("acts_as", _entries, "instrument")]] = Field(
        default_factory=dict,
        description="the instruments by name",
        examples=[_EXAMPLE],
    )
    from_other_files: dict[str, ElsewhereEntry] = Field(
        default_factory=dict,
        description="instruments that are defined in other files, by name",
        examples=[{"supply": {"file": "instruments.yaml"}}],
    )


class InstrumentsFile(GrammarModel):
    """Simulated instruments: a definition that pyvisa-sim can read, and the command tables that Wavewright adds."""

    model_config = ConfigDict(extra="ignore")

    wavewright: CommandTables = Field(
        description="the instruments with their command tables", examples=[{"instruments": _EXAMPLE}]
    )
    spec: object = Field(default=None, description="of pyvisa-sim: version of its format", examples=["1.1"])
    devices: object = Field(
        default=None,
        description="of pyvisa-sim: what it answers by itself, without Wavewright",
        examples=[{"supply": {"dialogues": [{"q": "*IDN?", "r": "Wavewright,Simulated supply,WS-0204,1.0"}]}}],
    )
    resources: object = Field(
        default=None,
        description="of pyvisa-sim: the device at each address",
        examples=[{"TCPIP0::supply.example::inst0::INSTR": {"device": "supply"}}],
    )


def load_instruments(path: Path, bench: SimulatedBench, faults: Mapping[str, DisturbancePlan]) -> dict[str, ScpiDevice]:
    """The devices of an instrument file by canonical resource name, each in its state after power-on.

    Parameters
    ----------
    faults : what goes wrong, by the instruments' names in the file.

    Raises
    ------
    FileFault : all that cannot be used, with file, line and column.
    """
    entries = read_entries(path)
    wrong = [
        FileFault(f"faults for `{name}`", where=plan.place, expected=f"one of {', '.join(entries)}")
        for name, plan in faults.items()
        if name not in entries
    ]
    devices: dict[str, ScpiDevice] = {}
    for name, (entry, place) in entries.items():
        try:
            devices[entry.resource] = _device(name, entry, place, bench, faults.get(name))
        except FileFault as fault:
            wrong.append(fault)
    if wrong:
        raise FileFault.joined(wrong)
    return devices


def read_entries(path: Path) -> dict[str, tuple[SimulatedInstrumentEntry, Place]]:
    """The instruments of a file, those that it takes from others included, and where each is.

    Raises
    ------
    FileFault : all that cannot be used, with file, line and column.
    """
    file, tree = _read(path)
    found = _own_entries(file, tree)
    faults: list[FileFault] = []
    others: dict[str, dict[str, tuple[SimulatedInstrumentEntry, Place]]] = {}
    for name, elsewhere in file.wavewright.from_other_files.items():
        if elsewhere.file not in others:
            try:
                others[elsewhere.file] = _own_entries(*_read(path.parent / elsewhere.file))
            except FileFault as fault:
                others[elsewhere.file] = {}
                faults += fault.faults or [fault]
                continue
        other = others[elsewhere.file]
        if name in other:
            found[name] = other[name]
        elif other:
            where, expected = place_of(elsewhere.file) or str(path), f"one of {', '.join(other)}"
            faults.append(FileFault(f"`{elsewhere.file}` has no `{name}`", where=where, expected=expected))
    if faults:
        raise FileFault.joined(faults)
    return found


def _read(path: Path) -> tuple[InstrumentsFile, YamlMapping]:
    tree = parse_tree(read_text(path), str(path))
    return validated(tree, InstrumentsFile), tree


def _own_entries(file: InstrumentsFile, tree: YamlMapping) -> dict[str, tuple[SimulatedInstrumentEntry, Place]]:
    places = tree.mapping_at("wavewright").mapping_at("instruments")
    return {name: (entry, places.mapping_at(name).place) for name, entry in file.wavewright.instruments.items()}


def _device(
    name: str, entry: SimulatedInstrumentEntry, place: Place, bench: SimulatedBench, faults: DisturbancePlan | None
) -> ScpiDevice:
    rows = [_setting(key, row, entry.inputs) for key, row in entry.settings.items()]
    making: InstrumentContext[Any] = InstrumentContext(
        entry.identity, Settings(rows), bench, entry.details, zlib.crc32(name.encode())
    )
    try:
        return ScpiDevice(
            roles()[entry.acts_as](making),
            entry.actions,
            message_time=entry.message_time,
            queue_depth=entry.error_queue,
            disturbances=faults,
            completes_at_once=entry.operation_complete == "at once",
        )
    except Misuse as fault:
        what, where = f"instrument `{name}`: {fault.what}", fault.where or place
        raise FileFault(what, where=where, expected=fault.expected, do=fault.do) from fault


def _setting(key: str, row: Any, inputs: int) -> SimulatedSetting:
    kind, reset = row.kind()
    return SimulatedSetting(key, row.header, kind, reset, inputs if row.each == "input" else 1)
