"""Decoding: from captured waveforms to what was said on the line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from wavewright.buses.catalogue import Bus, Layer, find_bus, find_layer
from wavewright.buses.frames import Frames
from wavewright.buses.levels import LogicLevels
from wavewright.buses.logic import Line, difference, line_of
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Waveform


def decode(
    channels: Mapping[str, Waveform], bus: str, *, then: str | None = None, levels: object = None, **options: Any
) -> Frames:
    """What was said on a bus: its frames in order of time, or those of a protocol above it.

    Parameters
    ----------
    channels : waveforms by the bus's own channel names (`tx`; `scl`, `sda`; …), on one time axis.
    bus : a name that `buses()` lists.
    then : a layer on that bus, such as `modbus_rtu`.
    levels : a family's name, two voltages, `auto`, or a mapping of such by channel name; see `levels.py`.
    options : of the bus and of the layer; one that both know goes to both.

    Returns
    -------
    A list of `Frame`, kept as columns. Lines that never change say nothing: the list is empty.

    Raises
    ------
    Misuse : an unknown bus, layer, channel or option; says what is known.

    Examples
    --------
    >>> import numpy as np
    >>> bits = [1, 1, *(0, 0, 0, 0, 1, 0, 0, 1, 0, 1), 1, 1]
    >>> tx = Waveform.from_volts(3.3 * np.repeat(bits, 10), interval=1 / 96000)
    >>> decode({"tx": tx}, "uart", baud=9600)[0].fields
    {'data': 72}
    """
    entry = find_bus(bus)
    above = None if then is None else find_layer(then, on=bus)
    for_bus, for_layer = _shared_out(entry, above, options)
    frames = entry.decode(*_lines(entry, channels, levels), **for_bus)
    return frames if above is None else above.decode(frames, **for_layer)


def check_decoding(bus: str, *, channels: Mapping[str, object], then: str | None = None, **options: Any) -> None:
    """Check names and options without any waveform, as a recipe is checked before it runs.

    Parameters
    ----------
    channels : keys are the bus's channel names.

    Raises
    ------
    Misuse : as `decode` would.
    """
    entry = find_bus(bus)
    levels = options.pop("levels", None)
    for each in levels.values() if isinstance(levels, Mapping) else [levels]:
        if each is not None:
            LogicLevels.read(each)
    _channel_set(entry, channels)
    _shared_out(entry, None if then is None else find_layer(then, on=bus), options)


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
        f"bus `{entry.name}` from channels {', '.join(f'`{name}`' for name in channels) or 'none at all'}",
        expected=f"{sets} (those with a ? may be left out)",
    )


def _lines(entry: Bus, channels: Mapping[str, Waveform], levels: object) -> list[Line | None]:
    names = _channel_set(entry, channels)
    lines: list[Line | None] = []
    if entry.differential and names[: len(entry.differential)] == entry.differential:
        high, low = (channels[name] for name in entry.differential)
        pair = LogicLevels.read(entry.levels if levels is None or isinstance(levels, Mapping) else levels)
        lines.append(line_of(difference(high, low), pair).inverted())
        names = names[len(entry.differential) :]
    given = {key: channels[key] for key in (name.rstrip("?") for name in names) if key in channels}
    resolved = _resolved(given, levels)
    return lines + [
        line_of(given[key], resolved[key]) if (key := name.rstrip("?")) in given else None for name in names
    ]


def _resolved(channels: Mapping[str, Waveform], levels: object) -> dict[str, LogicLevels]:
    """The thresholds of each channel; one that rests all the time takes those of the channel that swings most."""
    resolved: dict[str, LogicLevels] = {}
    resting: list[str] = []
    for name, wave in channels.items():
        written = levels.get(name) if isinstance(levels, Mapping) else levels
        read = LogicLevels.read("auto" if written is None else written)
        try:
            resolved[name] = LogicLevels(*read.of(wave))
        except NotMeasurable:
            resting.append(name)
    widest = max(resolved.values(), key=lambda each: each.high - each.low, default=LogicLevels.read("auto"))
    return resolved | dict.fromkeys(resting, widest)
