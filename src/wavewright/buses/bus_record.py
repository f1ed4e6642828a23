"""A bus under examination: its lines and what was said on them, each found once, when it is first asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import cached_property
from types import MappingProxyType
from typing import Any, TypeVar

from wavewright.buses.catalogue import BUSES, Bus, Layer, find_layer, vocabulary
from wavewright.buses.frames import Frames
from wavewright.buses.line.logic import Line, difference, line_of
from wavewright.buses.line.logic_levels import LogicLevels
from wavewright.buses.vocabulary import Vocabulary
from wavewright.errors import Misuse, NotMeasurable
from wavewright.nearest import unknown
from wavewright.waveform import Waveform

T = TypeVar("T")


class BusRecord:
    """The waveforms of a bus together with how they are to be decoded. Parameters and errors are those of `decode`."""

    def __init__(
        self,
        channels: Mapping[str, Waveform],
        bus: str,
        *,
        then: str | None = None,
        levels: object = None,
        **options: Any,
    ) -> None:
        self.bus: Bus = BUSES.find(bus)
        self.layer: Layer | None = None if then is None else find_layer(then, on=bus)
        self._own, self._upper = _shared_out(self.bus, self.layer, options)
        self._names = _channel_set(self.bus, channels)
        check_levels(self.bus, channels, levels)
        self._levels = levels
        self._kept: dict[Callable[[BusRecord], Any], Any] = {}
        self.waves: Mapping[str, Waveform] = MappingProxyType(dict(channels))

    @property
    def options(self) -> Mapping[str, Any]:
        """The options of bus and layer as they were read, the defaults of those not given, and `levels` as written."""
        entries = [self.bus, *([] if self.layer is None else [self.layer])]
        defaults = {parameter.name: parameter.default for entry in entries for parameter in entry.parameters}
        return defaults | self._own | self._upper | {"levels": self._levels}

    @cached_property
    def thresholds(self) -> Mapping[str, LogicLevels]:
        """The thresholds of each channel; one that rests all the time takes those of the channel that swings most.

        Where no channel has two states, and none has levels given, they are `auto` still.
        """
        resolved: dict[str, LogicLevels] = {}
        resting: list[str] = []
        for name, wave in self.waves.items():
            try:
                resolved[name] = LogicLevels(*self.levels(name).of(wave))
            except NotMeasurable:
                resting.append(name)
        widest = max(resolved.values(), key=lambda each: each.high - each.low, default=LogicLevels.read("auto"))
        return resolved | dict.fromkeys(resting, widest)

    def levels(self, name: str) -> LogicLevels:
        """The levels of a channel as they are given: `auto` where they are not."""
        written = self._levels.get(name) if isinstance(self._levels, Mapping) else self._levels
        return LogicLevels.read("auto" if written is None else written)

    @cached_property
    def lines(self) -> Mapping[str, Line | None]:
        """The two-state lines that the bus is decoded from, in its own order; None for one that was left out.

        A differential pair makes one line, which has the name of the channel that it stands for.
        """
        names, lines = self._names, dict[str, Line | None]()
        pair = self.bus.differential
        if pair is not None and names[: len(pair)] == pair:
            high, low = (self.waves[name] for name in pair)
            given = self.bus.levels if self._levels is None or isinstance(self._levels, Mapping) else self._levels
            lines[self.bus.channels[0][0]] = line_of(difference(high, low), LogicLevels.read(given)).inverted()
            names = names[len(pair) :]
        for name in (name.rstrip("?") for name in names):
            lines[name] = line_of(self.waves[name], self.thresholds[name]) if name in self.waves else None
        return MappingProxyType(lines)

    @cached_property
    def frames(self) -> Frames:
        """What was said: the frames of the bus, or those of the layer above it."""
        frames = self.bus.decode(*self.lines.values(), **self._own)
        told = frames if self.layer is None else self.layer.decode(frames, **self._upper)
        told.says = self.says
        return told

    @cached_property
    def says(self) -> Vocabulary | None:
        """All that the frames can say; None where bus or layer do not state it."""
        return vocabulary(self.bus.name, "" if self.layer is None else self.layer.name)

    def kept(self, find: Callable[[BusRecord], T]) -> T:
        """What a function finds in this bus, found once however many metrics ask for it."""
        if find not in self._kept:
            self._kept[find] = find(self)
        found: T = self._kept[find]
        return found


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


def _channel_set(entry: Bus, channels: Mapping[str, object]) -> tuple[str, ...]:
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
