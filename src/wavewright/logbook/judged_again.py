"""Whether the verdicts of an outcome follow from what was measured: judged again, from its captures or its values."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from wavewright.analysis.reading import Reading
from wavewright.errors import Misuse, WavewrightError
from wavewright.judgement.decision import applied_rule
from wavewright.judgement.decision_rules import SIMPLE, DecisionRule
from wavewright.judgement.joining import EACH
from wavewright.judgement.limits import Limit
from wavewright.judgement.shown import stated_uncertainty
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.recompute import recompute
from wavewright.quantities import Interval
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.stored_recipe import parse_stored_recipe
from wavewright.running.evaluation import NOTHING_UNMET
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome, Result, cut_short_results, judged_result

CLOSE = 1e-9  # relative: the same numbers joined again differ in the last digits, if the library adds in another order


def unfollowed(outcome: Outcome, document: Mapping[str, Any]) -> Iterator[str]:
    """What does not follow from the values that are in the document, in words.

    Parameters
    ----------
    outcome : as read from the document.
    """
    if document["verdict"] != outcome.verdict:
        yield f"the verdict of the run, {document['verdict']}: its measurements say {outcome.verdict}"
    for plain, one in zip(document["measurements"], outcome.measurements, strict=True):
        if plain["verdict"] != one.verdict:
            yield f"the verdict of `{one.label}`, {plain['verdict']}: its results say {one.verdict}"
        yield from _otherwise_than_the_budget(plain, one)
    before = is_of_before(document)
    for one in outcome.measurements:
        for result in one.results:
            if why := _why_not(_undoubted(result) if before else result, is_cut_short=bool(one.error)):
                yield f"the verdict of `{one.label}.{result.name}`, {_word(result.verdict)}: {why}"
    yield from _otherwise_than_the_recipe(outcome)


def _otherwise_than_the_budget(plain: Mapping[str, Any], one: MeasurementOutcome) -> Iterator[str]:
    """Uncertainties that stand beside a reading and do not follow from its budget; older documents have none."""
    for told, result in zip(plain["results"], one.results, strict=True):
        known = stated_uncertainty(result.reading)
        stated = told.get("stated", {})
        is_told = isinstance(stated, Mapping)
        if not is_told or any(not _same(number, known.get(name)) for name, number in stated.items()):
            yield f"the uncertainty of `{one.label}.{result.name}`: its budget says {known['expanded_uncertainty']}"


def is_of_before(document: Mapping[str, Any]) -> bool:
    """Whether a document is of a version in which no doubt decided: it cannot say which were allowed."""
    return any("allowed" not in result for one in document["measurements"] for result in one["results"])


def _otherwise_than_the_recipe(outcome: Outcome) -> Iterator[str]:
    """Results that are missing, or have another limit than in the recipe of the run; nothing if that cannot be read."""
    try:
        recipe = parse_stored_recipe(outcome.recipe.text, outcome.recipe.file, set=outcome.parameters)
    except WavewrightError:  # one of another version: the values decide
        return
    ended = {one.label for one in outcome.measurements if not one.error}
    for measurement in recipe:
        for name, wanted in measurement.compute.items() if measurement.label in ended else ():
            full = f"{measurement.label}.{name}"
            result = outcome.results.get(full)
            if result is None:
                yield f"the result of `{full}` is missing: the recipe of the run asks for it"
            elif (result.metric, result.of, result.over) != (wanted.metric, wanted.of, wanted.over):
                yield f"`{full}` has another metric, channel or way to join shots than in the recipe of the run"
            elif _interval(wanted.limit) != _interval(_limit_or_none(result)):
                yield f"the limit of `{full}`, `{result.limit}`: the recipe of the run says `{wanted.limit or ''}`"
            elif wanted.limit and result.rule != (rule := str(applied_rule(measurement.rule_of(wanted), wanted.unit))):
                yield f"the decision rule of `{full}`, `{result.rule}`: the recipe of the run says `{rule}`"
        yield from _forbidden_doubts(outcome, measurement)


def _forbidden_doubts(outcome: Outcome, measurement: Measurement) -> Iterator[str]:
    """Doubts that a result says were allowed, and the recipe does not allow them."""
    for one in outcome.measurements:
        for result in one.results if one.label == measurement.label else ():
            wanted = measurement.compute.get(result.name)
            rules = {**measurement.doubts, **({} if wanted is None else wanted.doubts)}
            for doubt in result.allowed:
                if not rules.get(doubt, False):
                    yield f"`{one.label}.{result.name}` allows the doubt `{doubt}`: the recipe of the run does not"


def unfollowed_by_captures(outcome: Outcome, document: Mapping[str, Any]) -> Iterator[str]:
    """What does not follow from the captures, computed again with the recipe of the run.

    Of a document from before doubts decided, what is inconclusive for its doubts today follows.

    Raises
    ------
    WavewrightError : this version cannot compute it again.
    """
    again = recompute(outcome).outcome
    now = again.results
    before = is_of_before(document)
    for name, result in outcome.results.items():
        if name not in now:
            yield f"the verdict of `{name}`, {_word(result.verdict)}: the recipe of the run does not have it"
        elif before and now[name].verdict is Verdict.INCONCLUSIVE and now[name].reading.value is not None:
            continue
        elif now[name].verdict != result.verdict:
            why = f", {now[name].reason}" if now[name].reason else ""
            yield f"the verdict of `{name}`, {_word(result.verdict)}: its captures say {_word(now[name].verdict)}{why}"
    for name in now.keys() - outcome.results.keys():
        yield f"the result of `{name}` is missing, and the captures give one"


def _why_not(result: Result, *, is_cut_short: bool) -> str:
    """Why a verdict does not follow from the readings of the shots; empty if it does."""
    readings = result.shots or (result.reading,)
    if result.verdict is Verdict.ERROR:  # which says that no reading came about
        return "" if all(reading.value is None for reading in readings) else "there are numbers"
    try:
        limit, rule = _limit(result), DecisionRule.read(result.rule)
        again = _again(result, readings, limit, rule)
        if is_cut_short:
            (again,) = cut_short_results((again,))
    except WavewrightError as fault:
        return f"it cannot be judged: {fault.what}"
    if again.verdict != result.verdict:
        of = f"{again.reading.value} {again.reading.unit}" if again.reading.value is not None else "no number"
        return f"{of} and the limit `{result.limit}` say {_word(again.verdict)}"
    if rule.is_guarded and not _same(again.conformance, result.conformance):
        return f"the probability of conformance is {again.conformance}, not {result.conformance}"
    values = [reading.value for reading in readings] if result.over == EACH and limit else [again.reading.value]
    if not any(_same(result.reading.value, value) for value in values):
        return f"the value {result.reading.value} is not that of its shots"
    return ""


def _again(result: Result, readings: Sequence[Reading], limit: Limit | None, rule: DecisionRule) -> Result:
    """A result judged again.

    The budget of every single shot is not kept. So where a guard band decided it is the reading of the result that is
    judged, with its own; a shot that is worse all the same, because it is outside the limit, is not overlooked.
    """

    def judged(those: Sequence[Reading], over: str, by: DecisionRule) -> Result:
        rules = dict.fromkeys(result.allowed, True)
        return judged_result(
            result.name, result.metric, result.of, those, limit=limit, over=over, doubts=rules, rule=by
        )

    if not rule.is_guarded:
        return judged(readings, result.over, rule)
    again = judged([result.reading], EACH, rule)
    if rule.guards_rejection or result.over != EACH:
        return replace(again, reading=judged(readings, result.over, SIMPLE).reading)
    simple = judged(readings, EACH, SIMPLE)
    return simple if simple.verdict is Verdict.FAIL and again.verdict is not Verdict.FAIL else again


def _undoubted(result: Result) -> Result:
    shots = tuple(replace(reading, doubts=(), findings=()) for reading in result.shots)
    return replace(result, reading=replace(result.reading, doubts=(), findings=()), shots=shots)


def _limit(result: Result) -> Limit | None:
    if not result.limit:
        return None
    if result.limit == str(NOTHING_UNMET):
        return NOTHING_UNMET
    try:
        return Limit.read(result.limit, unit=result.reading.unit)
    except Misuse as fault:
        raise Misuse(f"the limit `{result.limit}` is not one of {result.reading.unit}: {fault.what}") from fault


def _limit_or_none(result: Result) -> Limit | None:
    try:
        return _limit(result)
    except Misuse:  # has been said
        return None


def _interval(limit: Limit | None) -> Interval | None:
    return None if limit is None else limit.interval


def _same(one: object, other: float | None) -> bool:
    if not isinstance(one, int | float) or other is None:  # of a document that somebody has changed it may be anything
        return one is other
    return math.isclose(one, other, rel_tol=CLOSE, abs_tol=0.0)


def _word(verdict: Verdict | None) -> str:
    return "none" if verdict is None else str(verdict)
