"""The class of each role: what an instrument in it can be told and asked."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.display import Display
from wavewright.instruments.instrument import Instrument
from wavewright.instruments.meter import Meter
from wavewright.instruments.source import Source
from wavewright.instruments.supply import Supply
from wavewright.instruments.vocabulary import Role

ROLES: Mapping[Role, type[Instrument]] = MappingProxyType(
    {kind.role: kind for kind in (Digitizer, Source, Supply, Meter, Display)}
)
