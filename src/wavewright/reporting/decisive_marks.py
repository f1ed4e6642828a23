"""What decided, marked in the trace of its shot: levels, limits, the interval of the reading, where it was read."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.parameters import Condition, ReferenceLevel
from wavewright.analysis.reading import Reading
from wavewright.errors import Misuse, NotMeasurable
from wavewright.judgement.shown import acceptable, expanded_uncertainty, last_digit, show_judged
from wavewright.judgement.verdict import Verdict
from wavewright.quantities import Interval, show_quantity
from wavewright.reporting.frame_strip import strip_marks
from wavewright.reporting.marks import (
    InstantMark,
    LevelMark,
    Mark,
    MarkRole,
    OutlineMark,
    PlaceMark,
    ReachMark,
    SpanMark,
    ZoneMark,
)
from wavewright.reporting.rare_outlines import rare_outlines
from wavewright.running.result import Result
from wavewright.running.shot_findings import readings_of

if TYPE_CHECKING:
    from wavewright.reporting.drawn_shot import DrawnShot
    from wavewright.waveform import Waveform

# readings that are themselves a level of their channel, so that their limit can be drawn across it
LEVELS = frozenset({"maximum", "minimum", "mean", "cycle_mean", "high_level", "low_level"})
EXTREMES = {"maximum": ("highest",), "minimum": ("lowest",), "peak_to_peak": ("lowest", "highest")}
# readings that are a share of the amplitude beyond a state: with the state, and the direction in which they count
BEYOND = {"overshoot": (("high", 1), ("low", -1)), "undershoot": (("high", -1), ("low", 1))}
MOST_MARKS = 40  # of one result in one picture; a hundred thousand crossings would hide what they mark
EVERYTHING = Interval(-math.inf, math.inf, "")

ChannelMark = tuple[str, Mark]


def marks_of(subject: DrawnShot, readings: Mapping[str, Reading] | None = None) -> dict[str, list[Mark]]:
    """What is drawn into each trace of a shot, by channel; nothing twice.

    Parameters
    ----------
    readings : of the shot by name of the entry, where they have been computed already.
    """
    found: dict[str, list[Mark]] = {}
    known = readings_of(subject.shot.capture, subject.measurement) if readings is None else readings
    for channel, mark in _marks(subject, known):
        marks = found.setdefault(channel, [])
        if isinstance(mark, OutlineMark) or mark not in marks:
            marks.append(mark)
    return found


def limit_ends(result: Result) -> Iterator[tuple[float, str]]:
    """The finite ends of a limit, each with what it is called."""
    limit = acceptable(result.limit, result.reading.unit)
    if limit is None:
        return
    is_exact = limit.low == limit.high
    for value, word in ((limit.low, "lowest"), (limit.high, "highest")):
        if math.isfinite(value) and not (is_exact and word == "highest"):
            words = f"exactly {result.name}" if is_exact else f"{word} {result.name}"
            yield value, f"{words}: {show_quantity(value, limit.unit)}"


def reading_label(result: Result, reading: Reading, value: float | None = None) -> str:
    """A reading of a shot, or one of its occurrences, with the name of its entry; with the digits of the table."""
    shown = reading.value if value is None else value
    if shown is None:
        return result.name
    interval = acceptable(result.limit, reading.unit)
    return f"{result.name} {show_judged(shown, reading.unit, interval, uncertainty=last_digit(reading))}"


def role_of(result: Result) -> MarkRole:
    """How what was read is drawn."""
    return MarkRole.FAILED if result.verdict in (Verdict.FAIL, Verdict.ERROR) else MarkRole.READING


def _marks(subject: DrawnShot, readings: Mapping[str, Reading]) -> Iterator[ChannelMark]:
    waves = subject.waves()
    for result in subject.one.results:
        channel = result.of[0] if result.of else ""
        reading = readings.get(result.name)
        if reading is None:
            continue
        decoding = subject.measurement.decode.get(channel)
        if decoding is not None and reading.at is not None:
            first = next(iter(decoding.channels.values()))
            yield from ((first, mark) for mark in _single(result, reading))
        if channel not in waves:
            continue
        for mark in _of_result(subject, result, reading, waves[channel]):
            yield channel, mark
    for channel, outline in rare_outlines(subject, number=subject.number):
        yield channel, outline
    yield from strip_marks(subject)


def _of_result(subject: DrawnShot, result: Result, reading: Reading, wave: Waveform) -> Iterator[Mark]:
    role, reach = role_of(result), expanded_uncertainty(reading)
    yield from _occurrences(result, reading)
    yield from _extremes(result, reading, wave)
    if result.metric in LEVELS:
        yield from (LevelMark(value, words, MarkRole.LIMIT) for value, words in limit_ends(result))
        if reading.value is not None:
            if reach:
                yield ZoneMark(reading.value - reach, reading.value + reach, "", role)
            yield LevelMark(reading.value, reading_label(result, reading), role)
    if result.metric in BEYOND:
        yield from _beyond(subject, result, wave)
    yield from _reference_levels(subject, result)


def _extremes(result: Result, reading: Reading, wave: Waveform) -> Iterator[Mark]:
    """The samples that are the lowest and the highest, and how far the one is from the other."""
    wanted = EXTREMES.get(result.metric, ())
    if not wanted or reading.value is None:
        return
    role = role_of(result)
    ends = {"lowest": int(np.nanargmin(wave.codes)), "highest": int(np.nanargmax(wave.codes))}
    if wave.gain < 0:
        ends = {"lowest": ends["highest"], "highest": ends["lowest"]}
    values = {word: float(wave.value_of(wave.codes[index])) for word, index in ends.items()}
    for word in wanted:
        told = f"{result.name}: {word} sample, {show_quantity(values[word], wave.unit, resolution=abs(wave.gain) / 10)}"
        yield PlaceMark(wave.time_of(ends[word]), values[word], "", role, told)
    if len(wanted) == 2:
        yield ReachMark(values["lowest"], values["highest"], reading_label(result, reading), role)
        for value, words in limit_ends(result):
            yield LevelMark(values["lowest"] + value, f"{words} above the lowest", MarkRole.LIMIT)


def _beyond(subject: DrawnShot, result: Result, wave: Waveform) -> Iterator[LevelMark]:
    try:
        levels = subject.shot.survey(result.of[0]).levels
    except NotMeasurable:
        return
    for share, words in limit_ends(result):
        for state, sign in BEYOND[result.metric]:
            value = (levels.high if state == "high" else levels.low) + sign * share * (levels.high - levels.low)
            yield LevelMark(value, words if state == "high" else "", MarkRole.LIMIT)


def _single(result: Result, reading: Reading) -> Iterator[Mark]:
    """The one occurrence that a reading is of, on a bus: from begin to end if it is a time."""
    assert reading.at is not None
    lasting = reading.value if reading.unit == "s" and reading.value is not None else 0.0
    label = reading_label(result, reading) + _limit_told(result)
    yield SpanMark(reading.at, reading.at + lasting, label, role_of(result), label, _spread(reading))
    if lasting:
        yield from (InstantMark(reading.at + end, "", MarkRole.LIMIT) for end, _ in limit_ends(result))


def _occurrences(result: Result, reading: Reading) -> Iterator[Mark]:
    """Where a reading found its subject: begin and end for durations, instants for everything else."""
    found = reading.occurrences
    if found is None or not found.times.size:
        return
    times, values = found.times.tolist(), found.values.tolist()
    order = _by_weight(result, reading, values)
    lasting, role = reading.unit == "s", role_of(result)
    for number, index in enumerate(order[:MOST_MARKS]):
        time, value = times[index], values[index]
        told = reading_label(result, reading, value if reading.unit != "count" else None)
        label = reading_label(result, reading) + _limit_told(result) if not number else ""
        spread = _spread(reading) if not number else 0.0
        yield SpanMark(time, time + value if lasting else time, label, role, told, spread)
    if lasting:
        yield from (InstantMark(times[order[0]] + end, "", MarkRole.LIMIT) for end, _ in limit_ends(result))


def _by_weight(result: Result, reading: Reading, values: list[float]) -> list[int]:
    """The numbers of the occurrences by weight: the one that the reading is of, those outside the limit, all others."""
    limit = acceptable(result.limit, result.reading.unit) or EVERYTHING
    times = reading.occurrences.times if reading.occurrences is not None else np.zeros(0)
    chosen = -1 if reading.at is None else int(np.argmin(np.abs(times - reading.at)))
    is_outside = [reading.unit == limit.unit and value not in limit for value in values]
    return sorted(range(len(values)), key=lambda index: (index != chosen, not is_outside[index], index))


def _limit_told(result: Result) -> str:
    return f" (limit: {result.limit})" if result.limit else ""


def _spread(reading: Reading) -> float:
    """Half the interval of a reading that is a time; 0 where it is not known."""
    return (expanded_uncertainty(reading) or 0.0) if reading.unit == "s" else 0.0


def _reference_levels(subject: DrawnShot, result: Result) -> Iterator[LevelMark]:
    """The levels whose crossings a metric takes: its options of that kind, given or by default."""
    try:
        metric = METRICS.find(result.metric)
        given = subject.measurement.compute[result.name].options
        defaults = [parameter.default for parameter in metric.parameters if parameter.name not in given]
        options = [*metric.options(given).values(), *defaults]
    except (Misuse, KeyError):  # a reading of frames, an expectation, a comparison
        return
    for option in options:
        level = option.level if isinstance(option, Condition) else option
        if not isinstance(level, ReferenceLevel):
            continue
        try:
            survey = subject.shot.survey(result.of[0])
            value = survey.level(level)
        except NotMeasurable:
            continue
        label = f"{level} level" if level.is_ratio else show_quantity(value, survey.unit)
        yield LevelMark(value, label, MarkRole.REFERENCE)
