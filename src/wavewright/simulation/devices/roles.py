"""Roles of simulated instruments: what an instrument file's `acts_as:` stands for."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from wavewright.errors import Misuse
from wavewright.simulation import devices
from wavewright.simulation.bench import Bench
from wavewright.simulation.definition import Section
from wavewright.simulation.scpi.instrument import Instrument
from wavewright.simulation.scpi.settings import Settings


@dataclass(frozen=True, slots=True)
class Making:
    """What an instrument is made from. `details`: the role's own section of the file."""

    identity: str
    settings: Settings
    bench: Bench
    details: Section
    stream: int  # of chance: no two instruments of a bench share one


MakeInstrument = Callable[[Making], Instrument]
_entered: dict[str, MakeInstrument] = {}


def role(name: str) -> Callable[[MakeInstrument], MakeInstrument]:
    """Enter a role under the name that instrument files use."""

    def enter(make: MakeInstrument) -> MakeInstrument:
        if name in _entered:
            raise Misuse(f"role `{name}` is defined twice")
        _entered[name] = make
        return make

    return enter


@cache
def roles() -> Mapping[str, MakeInstrument]:
    """Every role by name."""
    for module in pkgutil.iter_modules(devices.__path__, "wavewright.simulation.devices."):
        importlib.import_module(module.name)
    return MappingProxyType(dict(sorted(_entered.items())))
