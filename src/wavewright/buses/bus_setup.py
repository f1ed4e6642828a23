"""How a bus is to be decoded: its entry, the layer above it, channels, options and levels, checked without a record."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Self

from wavewright.buses.catalogue import BUSES, Bus, Layer, find_layer
from wavewright.buses.line.logic_levels import LogicLevels
from wavewright.errors import Misuse
from wavewright.nearest import unknown


@dataclass(frozen=True, slots=True)
class BusSetup:
    """What a recipe says of a bus, or a call of `decode` besides its waveforms."""

    bus: Bus
    layer: Layer | None
    channels: tuple[str, ...]  # the set of them that was given, in the order of the bus; a `?` after one to be left out
    of_bus: Mapping[str, Any]  # its options, those that are given
    of_layer: Mapping[str, Any]
    levels: object

    @classmethod
    def read(cls, bus: str, channels: Collection[str], then: str | None, levels: object, **options: Any) -> Self:
        """Check names, options and their values; errors are those of `decode`."""
        entry = BUSES.find(bus)
        layer = None if then is None else find_layer(then, on=bus)
        of_bus, of_layer = _shared_out(entry, layer, options)
        names = _channel_set(entry, channels)
        check_levels(entry, channels, levels)
        return cls(entry, layer, names, of_bus, of_layer, levels)

    @property
    def options(self) -> Mapping[str, Any]:
        """The options of bus and layer as they were read, the defaults of those not given, and `levels` as written."""
        entries = [self.bus, *([] if self.layer is None else [self.layer])]
        defaults = {parameter.name: parameter.default for entry in entries for parameter in entry.parameters}
        return defaults | dict(self.of_bus) | dict(self.of_layer) | {"levels": self.levels}


def check_levels(entry: Bus, channels: Iterable[str], levels: object) -> None:
    """Refuse levels that cannot be read, or of a channel that is not there.

    Raises
    ------
    Misuse : names the channel, and those that there are.
    """
    if not isinstance(levels, Mapping):
        if levels is not None:
            LogicLevels.read(levels)
        return
    channels = list(channels)
    pair = entry.differential if entry.differential and set(entry.differential) <= set(channels) else ()
    if stray := [name for name in levels if name in pair]:
        raise Misuse(
            f"levels of channel `{stray[0]}` alone", expected="levels of the difference, for the whole bus: `levels: …`"
        )
    if stray := [name for name in levels if name not in channels]:
        raise unknown(f"there is no channel `{stray[0]}` for `levels`", str(stray[0]), map(str, channels))
    for each in levels.values():
        LogicLevels.read(each)


def _shared_out(entry: Bus, above: Layer | None, options: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """The options of the bus and those of the layer; one that neither knows is reported by the bus."""
    own = {parameter.name for parameter in entry.parameters}
    upper = {parameter.name for parameter in above.parameters} if above else set()
    for_bus = {name: value for name, value in options.items() if name in own or name not in upper}
    for_layer = {name: value for name, value in options.items() if name in upper}
    return entry.options(for_bus), above.options(for_layer) if above else {}


def _channel_set(entry: Bus, channels: Collection[str]) -> tuple[str, ...]:
    """The set of channels that was given.

    Raises
    ------
    Misuse : one is missing, or one is too many.
    """
    for names in entry.channels:
        known = {name.rstrip("?") for name in names}
        needed = {name for name in names if not name.endswith("?")}
        if needed <= set(channels) <= known:
            return names
    sets = " or ".join("`" + "`, `".join(names) + "`" for names in entry.channels)
    raise Misuse(
        f"bus `{entry.name}` from channels {', '.join(f'`{name}`' for name in channels) or 'none'}",
        expected=f"{sets} (those with a ? may be left out)",
    )
