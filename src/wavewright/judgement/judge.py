"""Judging: readings of some shots and a limit in, a verdict with its margin and its reason out."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from wavewright.analysis.reading import Doubt, Reading
from wavewright.errors import Misuse
from wavewright.judgement.doubting import NO_RULES, DoubtRules, deciding, without_allowed
from wavewright.judgement.joining import EACH, all_doubts, every_finding, find_over, joined
from wavewright.judgement.limits import Limit, Margin
from wavewright.judgement.shown import show_judged
from wavewright.judgement.verdict import Verdict
from wavewright.quantities import show_quantity

DecisionRule = Callable[[Reading, Limit], Verdict]


@dataclass(frozen=True, slots=True)
class Judgement:
    """What was decided, and on what.

    Parameters
    ----------
    reading : the joined reading; with `over: each` that of the shot which decided, with the doubts of all shots.
        None where no reading came about.
    verdict : None where there is no limit, and so nothing was judged.
    margin : of that reading; None without a limit or a number.
    reason : why the verdict is not `pass`; empty where it is.
    shot : with `over: each`, which shot decided, counted from 0.
    allowed : doubts that would have stopped the pass, had the recipe not allowed them.
    """

    reading: Reading | None
    verdict: Verdict | None
    margin: Margin | None = None
    reason: str = ""
    shot: int | None = None
    allowed: tuple[Doubt, ...] = ()


def simple_acceptance(reading: Reading, limit: Limit) -> Verdict:
    """Simple acceptance: the value decides, its uncertainty does not (JCGM 106:2012, 8.2 †).

    A rule with guard bands is another function of the same shape.
    """
    assert reading.value is not None
    return Verdict.PASS if limit.holds(reading.value) else Verdict.FAIL


def judge(
    readings: Sequence[Reading],
    limit: Limit | None = None,
    *,
    over: str = EACH,
    rule: DecisionRule = simple_acceptance,
    doubts: DoubtRules = NO_RULES,
) -> Judgement:
    """Judge the readings of one metric over all shots of a measurement.

    A doubt that bears on a reading makes a pass inconclusive, and a fail that it may have made too; the reason says
    the doubt, with what to change. `doubts` says which of them are allowed.

    With `each` the worst shot decides: the first with the worst verdict and, of several that pass or fail, the one
    with the smallest margin. Without a limit nothing has to hold, and the mean is reported. A reading without a
    number is inconclusive, with its reason; no reading is an error.

    Raises
    ------
    Misuse : a limit in another unit than the readings; an unknown `over`.
    """
    if not readings:
        return error("there is no reading")
    if find_over(over).join is not None:
        return _judge_one(joined(readings, over), limit, rule, doubts)
    if limit is None and len(readings) > 1:
        return _judge_one(joined(readings, "mean"), limit, rule, doubts)
    judgements = [_judge_one(reading, limit, rule, doubts) for reading in readings]
    shot = min(range(len(judgements)), key=lambda index: _order(judgements[index]))
    decisive = judgements[shot]
    assert decisive.reading is not None
    reading = replace(decisive.reading, doubts=all_doubts(readings), findings=every_finding(decisive.reading, readings))
    allowed = tuple(dict.fromkeys(doubt for judgement in judgements for doubt in judgement.allowed))
    return replace(decisive, reading=reading, shot=shot, allowed=allowed if decisive.verdict is Verdict.PASS else ())


def error(reason: str) -> Judgement:
    """The judgement where no reading came about, because the trigger never came, say."""
    return Judgement(None, Verdict.ERROR, reason=reason)


def _judge_one(reading: Reading, limit: Limit | None, rule: DecisionRule, doubts: DoubtRules) -> Judgement:
    if limit is not None and limit.unit != reading.unit:
        raise Misuse(f"a limit in {limit.unit} for a reading in {reading.unit}", expected=f"a limit in {reading.unit}")
    if reading.value is None or math.isnan(reading.value):
        return Judgement(reading, Verdict.INCONCLUSIVE, reason=reading.reason or "no number")
    if limit is None:
        return Judgement(reading, None)
    verdict, margin = rule(reading, limit), limit.margin(reading.value)
    found = deciding(reading, limit, verdict)
    stopping = without_allowed(found, doubts)
    if stopping:
        reason = "; ".join(one.sentence for one in stopping)
        if verdict is Verdict.FAIL:
            reason = f"{_against(reading, limit, margin)}, but {reason}"
        return Judgement(reading, Verdict.INCONCLUSIVE, margin, reason)
    if verdict is Verdict.PASS:
        return Judgement(reading, verdict, margin, allowed=tuple(one.doubt for one in found))
    return Judgement(reading, verdict, margin, _against(reading, limit, margin))


def _order(judgement: Judgement) -> tuple[int, float]:
    """Sorts the decisive one to the front."""
    severity = -1 if judgement.verdict is None else judgement.verdict.severity
    return -severity, math.inf if judgement.margin is None else judgement.margin.value


def _against(reading: Reading, limit: Limit, margin: Margin) -> str:
    assert reading.value is not None
    shown = show_judged(reading.value, reading.unit, limit.interval, uncertainty=reading.uncertainty)
    side = "is within" if margin.value >= 0 else "is below" if reading.value < limit.interval.low else "exceeds"
    when = "" if reading.at is None else f", at {show_quantity(reading.at, 's')}"
    return f"{shown} {side} the limit ({limit}){when}"
