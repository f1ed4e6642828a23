"""Findings: what each doubt says about one reading, in numbers, and how far the true value may be from it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np

from wavewright.analysis.doubts import EXTREMES, LEVELS, Doubt, Finding, Reads
from wavewright.analysis.examined_reading import ENOUGH, Read
from wavewright.analysis.front_end.examinations import examined
from wavewright.analysis.front_end.front_end import (
    FrontEnd,
    Quiet,
    is_confirmed,
    may_alias,
    quiet,
    repeating_frequency,
    tone_frequency,
)
from wavewright.analysis.parameters import Condition, ReferenceLevel
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity

CLIPPED_SHARE = 1e-3  # of the samples; a mean or a level moves by less than the converter's own error below it
NEAR_THE_END = 0.05  # of the range: a crossing nearer than this to a clipped end is not well inside
UNRESOLVED = 2.0  # sample intervals; the course of something shorter is not in the record at all
WHOLLY_NOISE = frozenset({Reads.EDGES, Reads.COUNTS, Reads.TRANSITIONS})


Detail = Callable[[Read], Finding]


def doubted(read: Read) -> Reading:
    """The reading with all its doubts, and a finding for each."""
    reading = read.reading
    examined_too = tuple(examined(read))
    if not (read.front_ends or reading.doubts or examined_too or any(survey.doubts for survey in read.surveys)):
        return reading
    steady = [found for survey, front_end in read.pairs if (found := quiet(survey, front_end)) is not None]
    own = (doubt for survey in read.surveys for doubt in survey.doubts)
    doubts: dict[Doubt, None] = dict.fromkeys([*own, *reading.doubts])
    findings = {finding.doubt: finding for finding in reading.findings}
    for finding in (_nothing_there(read, steady), _aliased(read), *examined_too):
        if finding is not None and finding.doubt not in findings:
            findings[finding.doubt] = finding
            doubts[finding.doubt] = None
    if not doubts:
        return reading
    for doubt in doubts:
        if doubt not in findings:
            told = _told(doubt, read)
            # a crossing near a clipped end is touched, though the metric reads no values
            bears = read.bears(doubt) or (doubt is Doubt.CLIPPED and Reads.EDGES in read.parts)
            findings[doubt] = told if bears else Finding.idle(doubt, told.text)
    shown = replace(reading, doubts=tuple(doubts), findings=tuple(findings[doubt] for doubt in doubts))
    return _without_number(shown, read, steady)


def with_findings(reading: Reading, more: Iterable[Finding]) -> Reading:
    """The reading with further findings; of one doubt, the one that bears on it counts."""
    found = {one.doubt: one for one in reading.doubted}
    for one in more:
        if one.doubt not in found or (one.bears and not found[one.doubt].bears):
            found[one.doubt] = one
    if len(found) == len(reading.doubts) == len(reading.findings) and tuple(found.values()) == reading.findings:
        return reading
    return replace(reading, doubts=tuple(found), findings=tuple(found.values()))


def _told(doubt: Doubt, read: Read) -> Finding:
    detail = DETAILS.get(doubt)
    try:
        return Finding(doubt) if detail is None else detail(read)
    except NotMeasurable:  # no levels to compare with
        return Finding(doubt)


def parts_of(parts: frozenset[Reads], options: Mapping[str, Any]) -> frozenset[Reads]:
    """What a metric reads with these options: an interval is counted from the trigger."""
    return parts | {Reads.TRIGGER} if any(options.get(name) is not None for name in ("after", "until")) else parts


def _without_number(reading: Reading, read: Read, steady: Sequence[Quiet]) -> Reading:
    """A line that does not move has no frequency and no edge: what was found is a property of the noise."""
    is_time = bool(read.parts & {Reads.EDGES, Reads.TRANSITIONS}) and Reads.COUNTS not in read.parts
    told = next((one for one in reading.findings if one.doubt is Doubt.NOTHING_THERE), None)
    if told is None or not is_time or not any(one.is_steady for one in steady):
        return reading
    return Reading(None, reading.unit, reason=told.sentence, doubts=reading.doubts, findings=reading.findings)


def _nothing_there(read: Read, steady: Sequence[Quiet]) -> Finding | None:
    """Nothing connected; or, for what is made of edges and tones, nothing that moves."""
    unit = read.surveys[0].unit if read.surveys else ""
    for one in steady:
        if one.is_open:
            text = (
                f"the record stays within {show_quantity(one.moves, unit)} around {show_quantity(one.mean, unit)}, "
                f"as an open input does"
            )
            made_of_noise = bool(read.parts & (WHOLLY_NOISE | {Reads.SPECTRUM}))
            # what the input shows by itself may be in it, and no more: 0 V is far from 3.3 V, whatever the reason
            is_value = not made_of_noise and read.reading.unit == unit
            reach = one.floor + abs(one.mean) if is_value else math.inf if made_of_noise else 0.0
            return Finding(Doubt.NOTHING_THERE, text, reach, reach)
        if not one.is_steady:
            continue
        is_of_lines = Reads.SPECTRUM in read.parts and read.reading.unit not in (unit, f"{unit}/√Hz")
        is_of_edges = bool(read.parts & WHOLLY_NOISE) and read.reading.value != 0
        if is_of_lines or is_of_edges:
            text = (
                f"the record moves by {show_quantity(one.moves, unit)}, and an input without a signal by up to "
                f"{show_quantity(one.floor, unit)}"
            )
            return Finding(Doubt.NOTHING_THERE, text)
    return None


def _aliased(read: Read) -> Finding | None:
    if not read.parts & (Doubt.ALIASED.bears_on | {Reads.ANYTHING}):
        return None
    for survey, front_end in read.pairs:
        if front_end is not None and may_alias(survey, front_end) and (text := _alias(survey, front_end, read)):
            return Finding(Doubt.ALIASED, text)
    return None


def _alias(survey: Survey, front_end: FrontEnd, read: Read) -> str:
    """Why a frequency may be an alias; empty where it is none, or where nothing repeats."""
    look = front_end.look
    edges = repeating_frequency(survey)
    if is_confirmed(edges, look.edges if look else None, survey, front_end):
        return ""
    if Reads.SPECTRUM in read.parts:
        shown, seen = tone_frequency(survey), look.tone if look else None
        if shown is None or is_confirmed(shown, seen, survey, front_end):
            return ""
        if look is None and read.reading.unit != "Hz":
            return ""
    else:
        shown, seen = edges, look.edges if look else None
        if shown is None or (look is None and Reads.COUNTS in read.parts):
            return ""
    rate, half = 1 / survey.wave.interval, 0.5 / survey.wave.interval
    width = front_end.bandwidth or math.inf
    lets = f"bandwidth {show_quantity(width, 'Hz')}" if math.isfinite(width) else "no bandwidth is stated"
    told = f"{show_quantity(shown, 'Hz')} at {show_quantity(rate, 'Hz')} sampling"
    if look is not None:
        other = "no frequency" if seen is None else show_quantity(seen, "Hz")
        told += f", but {other} at {show_quantity(1 / look.interval, 'Hz')}"
    return f"{told}; nothing stops frequencies above {show_quantity(half, 'Hz')} ({lets})"


def _clipped(read: Read) -> Finding:
    texts, stops = [], False
    sides = [_clipped_sides(survey) for survey in read.surveys]
    for survey, (low, high) in zip(read.surveys, sides, strict=True):
        if not (low or high):
            continue
        name = f" of `{survey.name}`" if len(read.surveys) > 1 else ""
        for share, word in ((high, "highest"), (low, "lowest")):
            if share:
                texts.append(f"{_percent(share)} of the samples{name} lie on the {word} code")
        texts.append(f"range {_range(survey)}")
        stops = stops or _reads_what_is_clipped(read, low, high) or _crosses_near(read, survey, low, high)
    text = "; ".join(texts)
    if not stops:
        return Finding.idle(Doubt.CLIPPED, text)
    low, high = (max((pair[side] for pair in sides), default=0.0) for side in (0, 1))
    return Finding(Doubt.CLIPPED, text, *_beyond(read.parts, low, high))


def _clipped_sides(survey: Survey) -> tuple[float, float]:
    """Share of the samples that are clipped at the lower and at the upper end, in terms of the value."""
    low, high = survey.record.clipped
    return (low, high) if survey.wave.gain > 0 else (high, low)


def _reads_what_is_clipped(read: Read, low: float, high: float) -> bool:
    if read.parts & {Reads.ANYTHING, Reads.SPECTRUM}:
        return True
    one_sided = {Reads.HIGHEST: high, Reads.LOWEST: low}
    if any(share for part, share in one_sided.items() if part in read.parts):
        return True
    shares = {
        Reads.HIGH_LEVEL: high,
        Reads.LOW_LEVEL: low,
        Reads.SAMPLES: low + high,
        Reads.TRANSITIONS: max(low, high),
    }
    return any(share > CLIPPED_SHARE for part, share in shares.items() if part in read.parts)


def _crosses_near(read: Read, survey: Survey, low: float, high: float) -> bool:
    """Whether a level that is crossed lies near a clipped end."""
    ends = sorted(survey.wave.value_of(code) for code in survey.wave.code_range or ())
    if Reads.EDGES not in read.parts or len(ends) != 2:
        return False
    band = NEAR_THE_END * (ends[1] - ends[0])
    for option in read.options.values():
        reference = option.level if isinstance(option, Condition) else option
        if not isinstance(reference, ReferenceLevel):
            continue
        try:
            level = survey.level(reference)
        except NotMeasurable:
            continue
        if (low and level < ends[0] + band) or (high and level > ends[1] - band):
            return True
    return False


def _beyond(parts: frozenset[Reads], low: float, high: float) -> tuple[float, float]:
    """How far the true value may lie below and above, where the samples go beyond an end of the range."""
    if parts == EXTREMES or (parts == LEVELS and low > 0 and high > 0):
        return 0.0, math.inf  # a difference only becomes larger
    if parts <= {Reads.HIGHEST, Reads.HIGH_LEVEL} or (parts == LEVELS and high):
        return 0.0, math.inf
    if parts <= {Reads.LOWEST, Reads.LOW_LEVEL}:
        return math.inf, 0.0
    return math.inf, math.inf


def _percent(share: float) -> str:
    return show_quantity(share, "1") if share < 0.0995 else f"{100 * share:.0f} %"


def _range(survey: Survey) -> str:
    ends = sorted(survey.wave.value_of(code) for code in survey.wave.code_range or (0.0, 0.0))
    width = ends[1] - ends[0] + survey.record.step
    low, high = (show_quantity(end, survey.unit, resolution=width / 100) for end in ends)
    return f"{show_quantity(width, survey.unit)}, from {low} to {high}"


def _few_codes(read: Read) -> Finding:
    few = [survey for survey in read.surveys if survey.record.spans_few_codes]
    counts = [int(survey.extremes[1] - survey.extremes[0]) + 1 for survey in few]
    if not counts:
        return Finding(Doubt.FEW_CODES)
    number = f"{min(counts)} code{'s' if min(counts) > 1 else ''}"
    text = f"the signal covers {number} of {show_quantity(few[0].record.step, few[0].unit)}"
    reach = max((_resolved(read, survey) for survey in few), default=0.0)
    return Finding.within(Doubt.FEW_CODES, text, reach)


def _resolved(read: Read, survey: Survey) -> float:
    """What one code is in the unit of the reading."""
    unit, value, step = read.reading.unit, read.reading.value, survey.record.step
    if value is None:
        return 0.0
    if unit == survey.unit:
        return step
    if read.parts <= {Reads.COUNTS}:
        return 0.0  # nothing in between; that the record moves at all is another doubt
    if Reads.ANYTHING in read.parts or Reads.SPECTRUM in read.parts:
        return ENOUGH * (read.reading.uncertainty or math.inf) if unit == "Hz" else math.inf
    if not read.parts & {Reads.EDGES, Reads.TRANSITIONS} or read.parts & (LEVELS | EXTREMES):
        return 2 * step / survey.levels.amplitude if unit == "1" else math.inf
    if Reads.TRANSITIONS in read.parts:
        return 2 * abs(value) * step / survey.levels.amplitude
    shift = _time_of_a_code(survey)
    return {"s": shift, "Hz": shift * value * value, "bit/s": shift * value * value, "1": shift * _rate(survey)}.get(
        unit, math.inf
    )


def _time_of_a_code(survey: Survey) -> float:
    """How much later the middle level is crossed if it is one code higher, s; infinite where that is not known."""
    middle, step = (survey.levels.low + survey.levels.high) / 2, survey.record.step
    below, above = (survey.crossings(middle + share * step).rising_places for share in (-0.5, 0.5))
    if not below.size or below.size != above.size:
        return math.inf
    return 2 * survey.wave.interval * float(np.abs(above - below).mean())


def _rate(survey: Survey) -> float:
    """Rising edges per second."""
    places = survey.crossings((survey.levels.low + survey.levels.high) / 2).rising_places
    return 1 / (float(np.diff(places).mean()) * survey.wave.interval) if places.size > 1 else math.inf


def _invalid_samples(read: Read) -> Finding:
    numbers = [(survey.record.gaps.size, len(survey)) for survey in read.surveys if survey.record.gaps.size]
    if not numbers:
        return Finding(Doubt.INVALID_SAMPLES)
    text = f"{sum(invalid for invalid, _ in numbers)} of {sum(size for _, size in numbers)} samples are invalid"
    if any(read.options.get(name) is not None for name in ("after", "until")):
        return Finding.idle(Doubt.INVALID_SAMPLES, text)  # a segment with one in it is not measured at all
    return Finding(Doubt.INVALID_SAMPLES, text, *_beyond(read.parts, 0.0, 1.0) if read.parts <= EXTREMES else ())


def _few_cycles(read: Read) -> Finding:
    count = read.reading.count
    text = "" if count is None else f"{count} period{'s' if count != 1 else ''} in the record, fewer than 10"
    return read.uncertain(Doubt.FEW_CYCLES, text)


def _few_samples(read: Read) -> Finding:
    reading = read.reading
    if not read.surveys:  # of a decoded line: its uncertainty is that of the sampling
        return read.uncertain(Doubt.FEW_SAMPLES, "")
    if reading.value is None or reading.unit != "s":
        return Finding(Doubt.FEW_SAMPLES)
    interval = max(survey.wave.interval for survey in read.surveys)
    text = (
        f"{show_quantity(reading.value, 's', uncertainty=reading.uncertainty)} is "
        f"{reading.value / interval:.1f} sample intervals of {show_quantity(interval, 's')}"
    )
    return Finding(Doubt.FEW_SAMPLES, text, interval, interval, decides=reading.value < UNRESOLVED * interval)


def _noisy(read: Read) -> Finding:
    reading, text = read.reading, ""
    if len(read.surveys) == 1 and not read.parts & {Reads.SPECTRUM, Reads.SAMPLES}:
        survey = read.surveys[0]
        text = survey.once("noise in words", lambda: _noise_in_words(survey))
    if read.parts & {Reads.COUNTS, Reads.ANYTHING}:
        return Finding(Doubt.NOISY, text)
    if Reads.SPECTRUM in read.parts and len(read.surveys) == 1:
        if reading.unit not in ("1", read.surveys[0].unit):
            return Finding(Doubt.NOISY, text)
        above = math.inf if reading.uncertainty is None else ENOUGH * reading.uncertainty
        return Finding(Doubt.NOISY, text, math.inf, above, decides=False)  # noise adds to what is there
    return read.uncertain(Doubt.NOISY, text)


def _noise_in_words(survey: Survey) -> str:
    noise, amplitude = (show_quantity(number, survey.unit) for number in (survey.noise, survey.levels.amplitude))
    return f"noise of {noise} rms on an amplitude of {amplitude}"


def _undersampled(read: Read) -> Finding:
    slowest = max((survey.wave.interval for survey in read.surveys), default=0.0)
    return Finding(
        Doubt.UNDERSAMPLED, f"fewer than 4 samples per period at {show_quantity(1 / slowest, 'Hz')}" if slowest else ""
    )


def _no_states(read: Read) -> Finding:
    if not read.surveys:
        return Finding(Doubt.NO_STATES)
    survey = read.surveys[0]
    low, high = (show_quantity(level, survey.unit) for level in (survey.levels.low, survey.levels.high))
    return Finding(Doubt.NO_STATES, f"the waveform stays neither at {low} nor at {high}")


def _not_settled(read: Read) -> Finding:
    longest = max((survey.wave.duration for survey in read.surveys), default=0.0)
    return Finding(
        Doubt.NOT_SETTLED, f"not settled within the {show_quantity(longest, 's')} of the record" if longest else ""
    )


DETAILS: Mapping[Doubt, Detail] = MappingProxyType(
    {
        Doubt.CLIPPED: _clipped,
        Doubt.FEW_CODES: _few_codes,
        Doubt.INVALID_SAMPLES: _invalid_samples,
        Doubt.FEW_CYCLES: _few_cycles,
        Doubt.FEW_SAMPLES: _few_samples,
        Doubt.NOISY: _noisy,
        Doubt.UNDERSAMPLED: _undersampled,
        Doubt.NO_STATES: _no_states,
        Doubt.NOT_SETTLED: _not_settled,
    }
)
"""What a doubt says in numbers, and what it leaves open; one that is not here bears wherever it is raised."""
