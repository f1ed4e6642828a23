"""What `measure` found, marked in the stored waveforms that it was found in."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from wavewright.analysis.reading import Reading
from wavewright.judgement.judge import Judgement
from wavewright.judgement.shown import acceptable, last_digit, show_judged
from wavewright.judgement.verdict import Verdict
from wavewright.quantities import show_quantity
from wavewright.reporting.decisive_marks import LEVELS
from wavewright.reporting.marks import LevelMark, Mark, MarkRole, SpanMark
from wavewright.reporting.picture import Picture
from wavewright.reporting.traces import trace_picture
from wavewright.waveform import Waveform

MOST_MARKS = 40  # of one reading; a hundred thousand crossings would hide what they mark


def measured_picture(
    waves: Sequence[Waveform], readings: Mapping[str, Reading], *, limit: str = "", judged: Judgement | None = None
) -> Picture:
    """The channels below one another, with the places of each reading in the first, and its limit where it is a level.

    Parameters
    ----------
    limit : of the only reading; judged : what was decided about it.
    """
    has_failed = judged is not None and judged.verdict is Verdict.FAIL
    by_name = {f"{wave.label}{f' {number}' if number else ''}": wave for number, wave in enumerate(waves)}
    marks = [mark for name, reading in readings.items() for mark in _marks(name, reading, limit, has_failed=has_failed)]
    title = ", ".join(readings)
    return trace_picture(
        by_name, trigger_time=0.0, name="measured", title=title, marks={next(iter(by_name)): marks}, keep_codes=False
    )


def _marks(name: str, reading: Reading, limit: str, *, has_failed: bool) -> Iterator[Mark]:
    role = MarkRole.FAILED if has_failed else MarkRole.READING
    interval = acceptable(limit, reading.unit)
    if reading.value is None:
        return
    label = f"{name} {show_judged(reading.value, reading.unit, interval, uncertainty=last_digit(reading))}"
    if name in LEVELS:
        yield LevelMark(reading.value, label, role)
        for end in () if interval is None else (interval.low, interval.high):
            if math.isfinite(end):
                yield LevelMark(end, f"limit {show_quantity(end, reading.unit)}", MarkRole.LIMIT)
    if reading.occurrences is not None:
        lasting = reading.unit == "s"
        pairs = np.stack([reading.occurrences.times, reading.occurrences.values], 1)[:MOST_MARKS].tolist()
        for number, (time, value) in enumerate(pairs):
            yield SpanMark(time, time + value if lasting else time, "" if number else label, role)
