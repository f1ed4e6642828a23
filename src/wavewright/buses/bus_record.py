"""A bus under examination: its lines and what was said on them, each found once, when it is first asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from copy import copy
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypeVar

from wavewright.analysis.record.found_once import computed_once
from wavewright.buses.bus_setup import BusSetup
from wavewright.buses.catalogue import Bus, Layer, vocabulary
from wavewright.buses.line.logic import Line, difference, line_of
from wavewright.buses.line.logic_levels import LogicLevels
from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.buses.frames import Frames
    from wavewright.buses.vocabulary import Vocabulary
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
        self.setup = BusSetup.read(bus, channels, then, levels, **options)
        self._levels = levels
        self._kept: dict[Callable[[BusRecord], Any], Any] = {}
        self.waves: Mapping[str, Waveform] = MappingProxyType(dict(channels))

    @property
    def bus(self) -> Bus:
        """The entry of the bus."""
        return self.setup.bus

    @property
    def layer(self) -> Layer | None:
        """The entry of the layer above it; None where there is none."""
        return self.setup.layer

    @property
    def options(self) -> Mapping[str, Any]:
        """The options of bus and layer as they were read, the defaults of those not given, and `levels` as written."""
        return self.setup.options

    @computed_once
    def thresholds(self) -> Mapping[str, LogicLevels]:
        """The thresholds of each channel; one that rests all the time takes those of the channel that swings most.

        Where no channel has two states, and none has levels given, they are `auto` still.
        """
        widest = max(self._resolved.values(), key=lambda each: each.high - each.low, default=LogicLevels.read("auto"))
        return {name: self._resolved.get(name, widest) for name in self.waves}

    @computed_once
    def _resolved(self) -> Mapping[str, LogicLevels]:
        """The thresholds of each channel that does not rest."""
        resolved: dict[str, LogicLevels] = {}
        for name, wave in self.waves.items():
            with suppress(NotMeasurable):
                resolved[name] = LogicLevels(*self.levels(name).of(wave))
        return resolved

    @property
    def has_pair(self) -> bool:
        """Whether two of the channels make one line together."""
        pair = self.bus.differential
        return pair is not None and self.setup.channels[: len(pair)] == pair

    @property
    def follows_levels(self) -> bool:
        """Whether every channel is read at levels of its own, which another gain or offset of it moves along."""
        is_own = all(self.levels(name).is_auto and name in self._resolved for name in self.waves)
        return is_own and not self.has_pair

    def on_other_axes(self, waves: Mapping[str, Waveform]) -> BusRecord:
        """The same record on other time axes, with the lines that were found: not for a differential pair.

        Parameters
        ----------
        waves : by the names of the channels, with the same codes; their intervals and starts count.
        """
        moved = copy(self)
        for name in ("frames", "lines"):
            moved.__dict__.pop(name, None)
        moved._kept, moved.waves = {}, MappingProxyType(dict(waves))
        lines = {
            name: None if line is None else line.on_axis_of(waves[name], self.waves[name])
            for name, line in self.lines.items()
        }
        moved.__dict__["lines"] = MappingProxyType(lines)
        return moved

    def levels(self, name: str) -> LogicLevels:
        """The levels of a channel as they are given: `auto` where they are not."""
        written = self._levels.get(name) if isinstance(self._levels, Mapping) else self._levels
        return LogicLevels.read("auto" if written is None else written)

    @computed_once
    def lines(self) -> Mapping[str, Line | None]:
        """The two-state lines that the bus is decoded from, in its own order; None for one that was left out.

        A differential pair makes one line, which has the name of the channel that it stands for.
        """
        names, lines = self.setup.channels, dict[str, Line | None]()
        pair = self.bus.differential
        if pair is not None and self.has_pair:
            high, low = (self.waves[name] for name in pair)
            given = self.bus.levels if self._levels is None or isinstance(self._levels, Mapping) else self._levels
            lines[self.bus.channels[0][0]] = line_of(difference(high, low), LogicLevels.read(given)).inverted()
            names = names[len(pair) :]
        for name in (name.rstrip("?") for name in names):
            lines[name] = line_of(self.waves[name], self.thresholds[name]) if name in self.waves else None
        return MappingProxyType(lines)

    @computed_once
    def frames(self) -> Frames:
        """What was said: the frames of the bus, or those of the layer above it."""
        frames = self.bus.decode(*self.lines.values(), **self.setup.of_bus)
        told = frames if self.layer is None else self.layer.decode(frames, **self.setup.of_layer)
        told.says = self.says
        return told

    @computed_once
    def says(self) -> Vocabulary | None:
        """All that the frames can say; None where bus or layer do not state it."""
        return vocabulary(self.bus.name, "" if self.layer is None else self.layer.name)

    def once(self, find: Callable[[BusRecord], T]) -> T:
        """What a function finds in this bus, found once however many metrics ask for it."""
        if find not in self._kept:
            self._kept[find] = find(self)
        found: T = self._kept[find]
        return found
