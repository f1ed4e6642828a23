"""A limit beside the range: one that the converter cannot resolve, and one that nothing in the range can break."""

from __future__ import annotations

import math
from collections.abc import Iterator

from wavewright.analysis.doubts import EXTREMES, LEVELS, Doubt, Finding
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.record.survey import Survey
from wavewright.quantities import Interval, show_quantity

FEWEST_CODES = 10.0  # across a limit; common practice, no source
MEANS = ("mean", "cycle_mean")
DIFFERENCES = (EXTREMES, LEVELS)  # of two samples or levels: from 0 to the width of the range


def limit_findings(read: Read, limit: Interval, *, is_range_found: bool = False) -> Iterator[Finding]:
    """What the converter says against a limit in the unit of its channel.

    Parameters
    ----------
    is_range_found : the range followed from the signal, and would have been another one with a larger signal.
    """
    if len(read.surveys) != 1 or read.reading.value is None or limit.unit != read.surveys[0].unit:
        return
    (survey,) = read.surveys
    for finding in (_coarse(read, survey, limit), None if is_range_found else _idle(read, survey, limit)):
        if finding is not None:
            yield finding


def idle_comparison(
    what: str, limit: Interval, before: Survey, now: Survey, *, is_range_found: bool
) -> Iterator[Finding]:
    """A limit on what two waveforms differ by that nothing in their ranges, or in the search for a delay, can break.

    Parameters
    ----------
    what : `rms`, `largest`, `offset` or `delay`; of others nothing is known.
    is_range_found : the range followed from the signal.
    """
    if what == "delay":
        most, unit = 0.5 * min(before.wave.duration, now.wave.duration), "s"  # further it is not looked for
        least = -most
    elif what in ("rms", "largest", "offset") and not is_range_found:
        ends = [one.wave.value_of(code) for one in (before, now) for code in one.wave.code_range or (math.inf,)]
        most, unit = max(ends) - min(ends), now.unit
        least = -most if what == "offset" else 0.0
    else:
        return
    if 0 < most < math.inf and least in limit and most in limit:
        shown = " to ".join(show_quantity(end, unit) for end in (least, most))
        yield Finding(Doubt.IDLE_LIMIT, f"it holds from {shown}, which is all that can be found")


def codes_across(limit: Interval, step: float) -> float:
    """How many codes of a converter a limit is wide, or with one end only how many that is from 0."""
    ends = [end for end in (limit.low, limit.high) if math.isfinite(end)]
    return (ends[-1] - ends[0] if len(ends) == 2 else abs(ends[0])) / step if ends and step else math.inf


def is_of_levels(read: Read) -> bool:
    """Whether a reading is made of single samples or of levels, which noise does not average."""
    return bool(read.parts) and read.parts <= EXTREMES | LEVELS


def _coarse(read: Read, survey: Survey, limit: Interval) -> Finding | None:
    step, is_wide = survey.record.step, math.isfinite(limit.low) and math.isfinite(limit.high)
    if not is_of_levels(read) or not (is_wide or read.parts in DIFFERENCES):
        return None
    codes = codes_across(limit, step)
    if codes == 0 or codes >= FEWEST_CODES:
        return None
    text = f"the limit is {codes:.2g} codes of {show_quantity(step, survey.unit)} wide"
    return Finding.within(Doubt.COARSE_RANGE, text, step * (2 if read.parts in DIFFERENCES else 1))


def _idle(read: Read, survey: Survey, limit: Interval) -> Finding | None:
    if survey.wave.code_range is None or not (is_of_levels(read) or read.metric in MEANS):
        return None
    ends = sorted(survey.wave.value_of(code) for code in survey.wave.code_range)
    low, high = (0.0, ends[1] - ends[0]) if read.parts in DIFFERENCES else ends
    if low not in limit or high not in limit:
        return None
    shown = (show_quantity(end, survey.unit, resolution=(high - low) / 100) for end in (low, high))
    return Finding(Doubt.IDLE_LIMIT, f"it holds from {' to '.join(shown)}, which is all that the range can show")
