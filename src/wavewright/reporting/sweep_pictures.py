"""All conditions of a measurement with `for_each` together: their traces over one another, their readings as curves."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from wavewright.errors import FileFault, Misuse, StorageFault
from wavewright.judgement.shown import acceptable, expanded_uncertainty
from wavewright.quantities import read_quantity, show_quantity
from wavewright.reporting.drawn_shot import decisive_shot
from wavewright.reporting.layers import BandLayer, CurveLayer, Floats, Layer
from wavewright.reporting.palette import BLUE, BLUISH_GREEN, VERMILION, colour_of
from wavewright.reporting.picture import Axis, Panel, Picture
from wavewright.reporting.traces import MARGIN, extent, span_of, trace_layer
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome, Result

if TYPE_CHECKING:
    from wavewright.waveform import Capture

COLUMNS = 800  # of each trace; there are several, and no codes beside them
MOST_TRACES = 16  # in one panel; with more nobody can tell which is which
UNITS = ("1", "V", "s", "Hz", "A", "ohm", "F", "H", "W", "bit/s", "deg", "count", "number")


def sweep_pictures(outcome: Outcome, measurements: Sequence[MeasurementOutcome], *, anchor: str) -> Iterator[Picture]:
    """The pictures of one measurement under all of its conditions; none where there are fewer than two.

    Parameters
    ----------
    measurements : under each condition, in the order of the run.
    """
    if len(measurements) < 2:
        return
    yield from _overlaid(outcome, measurements, anchor)
    yield from _curves(measurements, anchor)


def _overlaid(outcome: Outcome, measurements: Sequence[MeasurementOutcome], anchor: str) -> Iterator[Picture]:
    found = [(_condition(one), capture) for one in measurements if (capture := _capture(outcome, one)) is not None]
    drawn = found[:MOST_TRACES]
    if len(drawn) < 2:
        return
    channels = list(dict.fromkeys(name for _, capture in drawn for name in capture.waveforms))
    panels = []
    for channel in channels:
        waves = [(told, capture[channel]) for told, capture in drawn if channel in capture.waveforms]
        layers = tuple(
            trace_layer(wave, told, colour_of(number), columns=COLUMNS, keep_codes=False)
            for number, (told, wave) in enumerate(waves)
        )
        low, high = extent(layers)
        margin = MARGIN * ((high - low) or abs(high) or 1.0)
        panels.append(Panel(channel, Axis(channel, waves[0][1].unit, low - margin, high + margin), layers, height=220))
    ends = [span_of(capture.waveforms) for _, capture in drawn]
    axis = Axis("time from the trigger", "s", min(first for first, _ in ends), max(last for _, last in ends))
    left_out = f" Not drawn: {len(found) - len(drawn)} more." if len(found) > len(drawn) else ""
    told = f"The decisive shot under each condition: {', '.join(name for name, _ in drawn)}.{left_out}"
    name = measurements[0].name
    yield Picture(f"{anchor}-conditions", f"{name}: all conditions", told, axis, tuple(panels))


def _capture(outcome: Outcome, one: MeasurementOutcome) -> Capture | None:
    try:
        shots = outcome.captures.get(one.label, ())
        return shots[decisive_shot(one, len(shots))]
    except (StorageFault, FileFault, IndexError):
        return None


def _curves(measurements: Sequence[MeasurementOutcome], anchor: str) -> Iterator[Picture]:
    """Each reading over the condition that changes; with several, over the first, a curve per combination of others."""
    changing = [key for key in measurements[0].conditions if len({one.conditions.get(key) for one in measurements}) > 1]
    if not changing:
        return
    along = changing[0]
    axis, places = _axis(along, [one.conditions.get(along, "") for one in measurements])
    names = dict.fromkeys(result.name for one in measurements for result in one.results)
    for number, name in enumerate(names, 1):
        groups: dict[str, list[tuple[float, Result]]] = {}
        for place, one in zip(places, measurements, strict=True):
            others = ", ".join(f"{key}={value}" for key, value in one.conditions.items() if key in changing[1:])
            found = [(place, result) for result in one.results if result.name == name]
            groups.setdefault(others, []).extend((x, result) for x, result in found if result.reading.value is not None)
        if max(map(len, groups.values())) > 1:
            yield _curve(f"{anchor}-curve{number}", f"{measurements[0].name}.{name} over {along}", axis, groups)


def _curve(name: str, title: str, axis: Axis, groups: dict[str, list[tuple[float, Result]]]) -> Picture:
    layers: list[Layer] = []
    ends: list[float] = []
    told: list[str] = []
    unit = next(result.reading.unit for points in groups.values() for _, result in points)
    for number, (others, unsorted) in enumerate(groups.items()):
        points = sorted(unsorted, key=lambda point: point[0])
        if not points:
            continue
        x = np.array([place for place, _ in points], dtype=np.float64)
        y = np.array([result.reading.value for _, result in points], dtype=np.float64)
        reach = np.array([expanded_uncertainty(result.reading) or 0.0 for _, result in points], dtype=np.float64)
        has_interval = bool(reach.any())
        label = others or title.rsplit(" over ", 1)[0]
        # the limits that curves have in common are drawn once
        found = list(_limits(x, [result for _, result in points]))
        layers += [one for one in found if not any(_is_same(one, other) for other in layers)]
        layers.append(
            CurveLayer(
                label, BLUE if len(groups) == 1 else colour_of(number), x, y,
                y - reach if has_interval else None, y + reach if has_interval else None, has_points=True,
            )
        )  # fmt: skip
        ends += [*(y - reach), *(y + reach)]
        told.append(
            f"{label}: " + ", ".join(f"{show_quantity(value, unit)} at {_place(axis, at)}" for at, value in
                                     zip(x.tolist(), y.tolist(), strict=True))
        )  # fmt: skip
    for layer in layers:
        if isinstance(layer, BandLayer):
            ends += [*layer.lows, *layer.highs]
        elif isinstance(layer, CurveLayer) and not layer.has_points:
            ends += [*layer.y]
    low, high = min(ends), max(ends)
    margin = 0.08 * ((high - low) or abs(high) or 1.0)
    panel = Panel(
        title, Axis(title.rsplit(" over ", 1)[0], unit, float(low - margin), float(high + margin)), tuple(layers)
    )
    return Picture(name, title, "; ".join(told) + ".", axis, (panel,))


def _limits(x: Floats, results: Sequence[Result]) -> Iterator[Layer]:
    """What is acceptable under each condition: a band where it has two ends, a line where it has one."""
    intervals = [acceptable(result.limit, result.reading.unit) for result in results]
    lows = np.array([-math.inf if one is None else one.low for one in intervals], dtype=np.float64)
    highs = np.array([math.inf if one is None else one.high for one in intervals], dtype=np.float64)
    if np.isfinite(lows).all() and np.isfinite(highs).all():
        yield BandLayer("acceptable", BLUISH_GREEN, x, lows, highs)
    for name, line in (("lowest limit", lows), ("highest limit", highs)):
        if np.isfinite(line).any():
            yield CurveLayer(name, VERMILION, x, np.where(np.isfinite(line), line, np.nan))


def _is_same(one: Layer, other: Layer) -> bool:
    pairs: tuple[tuple[Floats, Floats], ...]
    if isinstance(one, BandLayer) and isinstance(other, BandLayer):
        pairs = ((one.x, other.x), (one.lows, other.lows), (one.highs, other.highs))
    elif isinstance(one, CurveLayer) and isinstance(other, CurveLayer) and one.name == other.name:
        pairs = ((one.x, other.x), (one.y, other.y))
    else:
        return False
    return all(np.array_equal(mine, theirs) for mine, theirs in pairs)


def _condition(one: MeasurementOutcome) -> str:
    return ", ".join(f"{key}={value}" for key, value in one.conditions.items())


def _axis(name: str, texts: Sequence[str]) -> tuple[Axis, list[float]]:
    """The axis of a condition and the place of each text along it: as a quantity where all are, else one by one."""
    for unit in UNITS:
        try:
            values = [read_quantity(text, unit=unit).value for text in texts]
        except Misuse:
            continue
        low, high = min(values), max(values)
        margin = 0.05 * ((high - low) or abs(high) or 1.0)
        return Axis(name, unit, low - margin, high + margin), values
    words = list(dict.fromkeys(texts))
    return Axis(name, "", -0.5, len(words) - 0.5, names=tuple(words)), [float(words.index(text)) for text in texts]


def _place(axis: Axis, value: float) -> str:
    return axis.names[round(value)] if axis.names else show_quantity(value, axis.unit)
