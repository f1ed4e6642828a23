"""A line of a bus that a measurement decodes, as other entries refer to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from wavewright.errors import Place


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
