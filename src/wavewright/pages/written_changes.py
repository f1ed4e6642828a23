"""What a person points at in the picture, as a change of the recipe's text: a span, a metric, limits."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.measure import measure_surveys
from wavewright.errors import Misuse, NotMeasurable
from wavewright.pages.page_requests import MetricRequest, PlaceOnTrace, SpanRequest
from wavewright.pages.recipe_insertion import has_key, keys_of, with_value
from wavewright.pages.recipe_numbers import Path
from wavewright.pages.seen_shots import SeenShot, SeenShots
from wavewright.quantities import show_quantity
from wavewright.recipe.measurement import Measurement
from wavewright.waveform import Waveform

NEAR = 0.1  # of the difference that was clicked: a metric further from it does not say that difference
AROUND = 8  # samples on either side of a click that say whether the trace rises or falls there
DIFFERENCES = ("amplitude", "peak_to_peak")


def span_change(text: str, wanted: SpanRequest, measurement: Measurement) -> str:
    """The text with the part that is shown as the span of the measurement.

    A record always holds the trigger: where the part begins after it, the span goes from the trigger to its end.

    Raises
    ------
    Misuse : the time base is in cycles, or the part lies before the trigger.
    """
    path: Path = ("measurements", measurement.name, "timebase")
    if measurement.timebase.cycles is not None:
        raise Misuse(
            "the time base is in cycles of the signal",
            expected="one with a span",
            do="write `span` and `points` in place of `cycles`",
        )
    first, last = min(wanted.start, 0.0), wanted.start + wanted.span
    if last <= 0:
        raise Misuse("all of this part is before the trigger", expected="a part that reaches past the trigger")
    resolution = (last - first) / 200
    changed = with_value(text, (*path, "span"), show_quantity(last - first, "s", resolution=resolution))
    if has_key(text, (*path, "before_trigger")) or first < 0:
        before = show_quantity(-first, "s", resolution=resolution) if first < 0 else "0 s"
        changed = with_value(changed, (*path, "before_trigger"), before)
    return changed


def metric_change(text: str, wanted: MetricRequest, shown: SeenShot) -> tuple[str, str]:
    """The text with one more entry of `compute:`, and the name of the entry.

    Raises
    ------
    Misuse : no metric says what lies between the two places.
    """
    waves = shown.waves()
    for place in wanted.at:
        if place.channel not in waves:
            raise Misuse(f"no channel `{place.channel}`", expected=f"one of {', '.join(waves)}")
    first, second = sorted(wanted.at, key=lambda place: place.time)
    if wanted.type == "time_between":
        options = ", ".join(_time_between(first, second, waves))
        metric = "time_between"
    else:
        metric = _difference(shown, first, second)
        options = f"of: {first.channel}"
    path: Path = ("measurements", shown.measurement.name, "compute")
    name = _free_name(metric, {*keys_of(text, path), *shown.measurement.compute})
    said = options if name == metric else f"metric: {metric}, {options}"
    return with_value(text, (*path, name), f"{{{said}}}"), name


def limits_change(text: str, shots: int, seen: SeenShots) -> tuple[str, list[str]]:
    """The text with a limit for every entry of `compute:` that the last shots can propose one for, and their names.

    It is the tolerance interval, with a comment that says where it comes from; an entry that has a limit keeps its
    side: `at most` stays one.

    Raises
    ------
    Misuse : there were fewer shots, or no reading has a limit proposed.
    """
    from wavewright.logbook.proposed_limit import proposed_limit

    if seen.count < shots:
        raise Misuse(f"{seen.count} shots since the last change", expected=f"at least {shots}")
    if seen.measurement.condition:
        raise Misuse(
            f"these shots are of `{seen.measurement.label}`, and the limits are for every condition",
            do="write limits that hold for all of them, such as `$duty ± 1 pp`",
        )
    found: list[str] = []
    for name, wanted in seen.measurement.compute.items():
        path: Path = ("measurements", seen.measurement.name, "compute", name)
        if wanted.unit == "count" or not has_key(text, path):
            continue
        words = str(wanted.limit or "")
        side = "upper" if words.startswith("at most") else "lower" if words.startswith("at least") else "both"
        proposed = proposed_limit(seen.newest_readings(name, shots), side, step=_code(seen, name))
        if proposed is None:
            continue
        comment = f"limit of {name}: {proposed.comment}"
        text = with_value(text, (*path, "limit"), proposed.limit, comment=comment)
        found.append(name)
    if not found:
        raise Misuse(
            "the readings of these shots propose no limit",
            expected="a number in every shot, without a doubt that bears on it",
        )
    return text, found


def _code(seen: SeenShots, name: str) -> float:
    """What a code of the entry's channel stands for, where the reading is in its unit; else 0."""
    from wavewright.logbook.proposed_limit import code_step

    wanted, newest = seen.measurement.compute[name], seen.newest
    wave = None if newest is None else newest.waves().get(wanted.of[0])
    return code_step(wave) if wave is not None and wave.unit == wanted.unit else 0.0


def _time_between(first: PlaceOnTrace, second: PlaceOnTrace, waves: dict[str, Waveform]) -> Iterator[str]:
    if first.channel == second.channel:
        yield f"of: {first.channel}"
    else:
        yield f"of: [{first.channel}, {second.channel}]"
    for word, place in (("from", first), ("to", second)):
        wave = waves[place.channel]
        yield f"{word}: {_slope(wave, place)} {_level(wave, place.level)}"


def _slope(wave: Waveform, place: PlaceOnTrace) -> str:
    """Whether the trace rises or falls through the level near a place.

    Raises
    ------
    Misuse : it does not cross the level there.
    """
    middle = round((place.time - wave.start) / wave.interval)
    reach = max(AROUND, len(wave) // 500)
    first, last = max(middle - reach, 0), min(middle + reach + 1, len(wave))
    above = wave.values(first, last) >= place.level
    changes = np.flatnonzero(above[1:] != above[:-1])
    if not changes.size:
        raise Misuse(
            f"`{place.channel}` does not cross {show_quantity(place.level, wave.unit)} "
            f"near {show_quantity(place.time, 's')}",
            do="click on an edge, at the level that is to count",
        )
    nearest = changes[np.argmin(np.abs(changes - (middle - first)))]
    return "rising" if above[nearest + 1] else "falling"


def _level(wave: Waveform, level: float) -> str:
    low, high = (np.nanmin(wave.codes), np.nanmax(wave.codes))
    return show_quantity(level, wave.unit, resolution=abs(wave.gain) * float(high - low) / 200 or None)


def _difference(shown: SeenShot, first: PlaceOnTrace, second: PlaceOnTrace) -> str:
    """The metric whose reading is the difference between two levels of a channel."""
    if first.channel != second.channel:
        raise Misuse(
            f"the levels are of `{first.channel}` and `{second.channel}`",
            expected="two places on one channel",
            do="derive their difference with `derived:`, and click on that",
        )
    wanted = abs(second.level - first.level)
    survey = shown.shot.survey(first.channel)
    told: list[str] = []
    best: tuple[float, str] | None = None
    for metric in DIFFERENCES:
        try:
            value = measure_surveys([survey], METRICS.find(metric), {}).value
        except NotMeasurable:
            value = None
        if value is None:
            continue
        told.append(f"{metric} {show_quantity(value, survey.unit)}")
        off = abs(value - wanted)
        if off <= NEAR * max(wanted, abs(value)) and (best is None or off < best[0]):
            best = (off, metric)
    if best is None:
        raise Misuse(
            f"no metric reads {show_quantity(wanted, survey.unit)} here: {', '.join(told) or 'there are no states'}",
            expected="the two states, or the two extremes",
            do="click on both states of the channel, or on its highest and its lowest sample",
        )
    return best[1]


def _free_name(metric: str, taken: set[str]) -> str:
    if metric not in taken:
        return metric
    return next(f"{metric}_{number}" for number in range(2, 10_000) if f"{metric}_{number}" not in taken)
