"""Judging: readings of some shots and a limit in, a verdict with its margin and its reason out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from wavewright.analysis.reading import Doubt, Reading
from wavewright.errors import Misuse
from wavewright.judgement.decision import CONFORMANCE, applied_rule, decide, show_probability
from wavewright.judgement.decision_rules import SIMPLE, DecisionRule
from wavewright.judgement.doubting import NO_RULES, DoubtRules, deciding, without_allowed
from wavewright.judgement.joining import EACH, all_doubts, every_finding, find_over, joined
from wavewright.judgement.limits import Limit, Margin
from wavewright.judgement.shown import last_digit, show_margin
from wavewright.judgement.verdict import Verdict


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
    rule : that decided: the one asked for, or `simple` for a number of things.
    conformance : with a guard band, the probability that the true value is within the limit; None if it is not known.
    """

    reading: Reading | None
    verdict: Verdict | None
    margin: Margin | None = None
    reason: str = ""
    shot: int | None = None
    allowed: tuple[Doubt, ...] = ()
    rule: DecisionRule = SIMPLE
    conformance: float | None = None

    def __str__(self) -> str:
        """The verdict, with its reason or its margin, and with a guard band the probability of conformance."""
        word = "not judged" if self.verdict is None else str(self.verdict)
        unit = self.reading.unit if self.reading else "1"
        known = None if self.reading is None else last_digit(self.reading)
        margin = "" if self.margin is None else f"margin {show_margin(self.margin.value, unit, uncertainty=known)}"
        why = self.reason or margin
        probability = "" if self.conformance is None else f"{CONFORMANCE} {show_probability(self.conformance)}"
        told = [why, str(self.rule) if self.rule.is_guarded else "", "" if probability in why else probability]
        return f"{word}: {'; '.join(text for text in told if text)}"

    def as_json(self) -> dict[str, Any]:
        """Verdict, margin, reason, rule and probability in plain words and numbers."""
        return {
            "verdict": None if self.verdict is None else str(self.verdict),
            "margin": None if self.margin is None else self.margin.value,
            "reason": self.reason,
            "rule": str(self.rule),
            "conformance": self.conformance,
        }


def judge(
    readings: Reading | Sequence[Reading],
    limit: Limit | str | None = None,
    *,
    over: str = EACH,
    rule: DecisionRule | str = SIMPLE,
    doubts: DoubtRules = NO_RULES,
) -> Judgement:
    """Judge a reading, or the readings of one metric over all shots of a measurement.

    A doubt that bears on a reading makes a pass inconclusive, and a fail that it may have made too; the reason says
    the doubt, with what to change. `doubts` says which of them are allowed. `rule` says how wide the guard bands are.

    With `each` the worst shot decides: the first with the worst verdict and, of several that pass or fail, the one
    with the lowest probability of conformance, then the one with the smallest margin. Without a limit nothing has to
    hold, and the mean is reported. A reading without a number is inconclusive, with its reason; no reading is an error.

    Parameters
    ----------
    readings : one per shot.
    limit : in words in the unit of the readings, `at most 40 mV`, or read already; None: nothing has to hold.
    over : how shots are joined.
    rule : in one line, `guarded acceptance with risk 2.5 %`, or read already.
    doubts : by doubt whether it is allowed.

    Raises
    ------
    Misuse : a limit in another unit than the readings, or none at all; an unknown `over` or rule.

    Examples
    --------
    >>> str(judge(Reading(0.039, "V"), "at most 40 mV", rule="guarded acceptance").verdict)
    'inconclusive'
    """
    if not readings:
        return error("there is no reading")
    readings = [readings] if isinstance(readings, Reading) else readings
    limit = Limit.read(limit, unit=readings[0].unit) if isinstance(limit, str) else limit
    rule = DecisionRule.read(rule) if isinstance(rule, str) else rule
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
    if reading.value is None or not math.isfinite(reading.value):
        return Judgement(reading, Verdict.INCONCLUSIVE, reason=reading.reason or "no number")
    if limit is None:
        return Judgement(reading, None)
    applied = applied_rule(rule, limit.unit)
    decision, margin = decide(reading, limit, applied), limit.margin(reading.value)
    judged = Judgement(reading, decision.verdict, margin, rule=applied, conformance=decision.conformance)
    found = deciding(reading, decision)
    stopping = without_allowed(found, doubts)
    if stopping:
        reason = "; ".join(one.sentence for one in stopping)
        if decision.verdict is Verdict.FAIL:
            reason = f"{decision.reason}, but {reason}"
        return replace(judged, verdict=Verdict.INCONCLUSIVE, reason=reason)
    if decision.verdict is Verdict.PASS:
        return replace(judged, allowed=tuple(one.doubt for one in found))
    return replace(judged, reason=decision.reason)


def _order(judgement: Judgement) -> tuple[int, float, float]:
    """Sorts the decisive one to the front."""
    severity = -1 if judgement.verdict is None else judgement.verdict.severity
    conformance = math.inf if judgement.conformance is None else judgement.conformance
    return -severity, conformance, math.inf if judgement.margin is None else judgement.margin.value
