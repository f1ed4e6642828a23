"""Roles of simulated instruments: what an instrument file's `acts_as:` stands for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache

from wavewright.simulation import devices
from wavewright.simulation.bench import Bench
from wavewright.simulation.definition import Section
from wavewright.simulation.registry import Registry
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
_roles: Registry[MakeInstrument] = Registry("role")
role = _roles.enter


@cache
def roles() -> Mapping[str, MakeInstrument]:
    """Every role by the name that instrument files use."""
    return _roles.everything(devices)
