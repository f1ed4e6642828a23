"""Instrument files: pyvisa-sim definitions with one more key, `wavewright:`, that says what our devices are."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping
from pathlib import Path

from pyvisa.rname import InvalidResourceName, to_canonical_name

from wavewright.errors import FileFault, Misuse
from wavewright.simulation.bench import Bench
from wavewright.simulation.definition import Section, read_definition
from wavewright.simulation.devices.acquiring import MOST_INPUTS
from wavewright.simulation.devices.roles import Making, roles
from wavewright.simulation.disturbances.plan import DisturbancePlan
from wavewright.simulation.scpi.device import ScpiDevice
from wavewright.simulation.scpi.parameter_types import Boolean, Kind, Number, Text, Value, Words
from wavewright.simulation.scpi.settings import Setting, Settings


def load_instruments(path: Path, bench: Bench, faults: Mapping[str, DisturbancePlan]) -> dict[str, ScpiDevice]:
    """The devices of an instrument file by canonical resource name, each in its state after power-on.

    Parameters
    ----------
    faults : what goes wrong, by the instruments' names in the file.

    Raises
    ------
    FileFault : with file, line and column of what cannot be used.
    """
    top = read_definition(path)
    if "wavewright" not in top:
        raise FileFault("no key `wavewright`", where=top.place(), expected="the instruments' command tables below it")
    sections = top.section("wavewright").sections("instruments")
    for name, place in top.section("wavewright").sections("from_other_files").items():
        other = read_definition(path.parent / place.text("file"))
        sections[name] = other.section("wavewright").section("instruments").section(name)
    unknown = sorted(set(faults) - set(sections))
    if unknown:
        raise FileFault(f"faults for `{unknown[0]}`", where=str(path), expected=f"one of {', '.join(sections)}")
    return {_resource(section): _device(name, section, bench, faults.get(name)) for name, section in sections.items()}


def _resource(section: Section) -> str:
    given = section.text("resource")
    try:
        return to_canonical_name(given)
    except InvalidResourceName as fault:
        raise FileFault(
            f"`resource: {given}`: {fault}",
            where=section.place("resource"),
            expected="a VISA resource, such as TCPIP0::digitizer.example::inst0::INSTR",
        ) from fault


def _device(name: str, section: Section, bench: Bench, faults: DisturbancePlan | None) -> ScpiDevice:
    acts_as = section.text("acts_as")
    if acts_as not in roles():
        raise FileFault(
            f"instrument `{name}` acts as `{acts_as}`",
            where=section.place("acts_as"),
            expected=f"one of {', '.join(roles())}",
        )
    numbers = section.whole_number("inputs", 1, most=MOST_INPUTS)
    rows = [_setting(key, row, numbers) for key, row in section.sections("settings").items()]
    details = section.section("details") if "details" in section else section
    making = Making(section.text("identity"), Settings(rows), bench, details, zlib.crc32(name.encode()))
    try:
        instrument = roles()[acts_as](making)
        headers = {action: section.section("actions").text(action) for action in section.section("actions")}
        device = ScpiDevice(
            instrument,
            headers,
            message_time=section.quantity("message_time", "s", 1e-3),
            queue_depth=section.whole_number("error_queue", 20, most=1000),
            disturbances=faults,
            completes_at_once=section.text("operation_complete", "when it is") == "at once",
        )
    except Misuse as fault:
        where = section.place()
        raise FileFault(
            f"instrument `{name}`: {fault.what}", where=where, expected=fault.expected, do=fault.do
        ) from fault
    return device


def _setting(key: str, row: Section, numbers: int) -> Setting:
    pattern = row.text("header")
    takes = row.text("takes")
    if takes not in _KINDS:
        raise FileFault(f"`takes: {takes}`", where=row.place("takes"), expected=f"one of {', '.join(_KINDS)}")
    kind, reset = _KINDS[takes](row)
    count = numbers if row.text("each", "") == "input" else 1
    row.finish()
    return Setting(key, pattern, kind, reset, count)


def _number(row: Section) -> tuple[Kind, Value]:
    unit = row.text("unit", "")
    steps = row.quantities("steps", unit) if "steps" in row else ()
    reset = row.quantity("reset", unit)
    is_whole = row.text("takes") == "whole number"
    kind = Number(
        unit=row.text("suffix", unit.upper()),
        minimum=row.quantity("least", unit, steps[0] if steps else None),
        maximum=row.quantity("most", unit, steps[-1] if steps else None),
        default=reset,
        steps=steps,
        rounding=row.text("rounding", "up"),
        resolution=row.quantity("resolution", unit, 0.0),
        is_integer=is_whole,
        fuzz=row.text("beyond", "refused") == "limited",
        digits=row.whole_number("digits", 0, most=17),
    )
    return kind, reset


def _boolean(row: Section) -> tuple[Kind, Value]:
    reset = row.text("reset").lower() in ("on", "true", "1")
    return Boolean(reset), reset


def _words(row: Section) -> tuple[Kind, Value]:
    reset = row.text("reset")
    kind = Words(row.texts("words"), default=reset, most=row.whole_number("most", 1, most=1000))
    return kind, reset


def _text(row: Section) -> tuple[Kind, Value]:
    reset = row.text("reset", "")
    return Text(reset, row.whole_number("most", 255, most=1_000_000)), reset


_KINDS: Mapping[str, Callable[[Section], tuple[Kind, Value]]] = {
    "number": _number,
    "whole number": _number,
    "Boolean": _boolean,
    "word": _words,
    "text": _text,
}
