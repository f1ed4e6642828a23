"""A measurement that broke off among its shots: those that were taken are evaluated and told, and pass nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from wavewright.analysis.reading import Doubt, Reading
from wavewright.judgement.verdict import Verdict
from wavewright.running.outcome import MeasurementOutcome, Result


class CutShort(BaseException):
    """Carries what ended a measurement past the steps of it, which have no answer to that.

    Parameters
    ----------
    fault : what ended it.
    outcome : evaluates the shots that were taken; called once outputs are off, since it may take a while.
    """

    def __init__(self, fault: BaseException, outcome: Callable[[], MeasurementOutcome]) -> None:
        super().__init__(str(fault))
        self.fault, self.outcome = fault, outcome


def cut_short_results(results: Iterable[Result]) -> tuple[Result, ...]:
    """Results of fewer shots than were wanted: each reading doubtful for that, a pass inconclusive, a fail a fail."""
    return tuple(_cut_short(one) for one in results)


def broken_off(fault: object, taken: int, wanted: int) -> str:
    """What the outcome of the measurement says."""
    return f"{fault}; {taken} of {wanted} shots were taken"


def _cut_short(result: Result) -> Result:
    doubted = replace(result, reading=_doubted(result.reading), shots=tuple(map(_doubted, result.shots)))
    if result.verdict is not Verdict.PASS:
        return doubted
    reason = "holds in the shots that were taken; the measurement broke off before the last"
    return replace(doubted, verdict=Verdict.INCONCLUSIVE, reason=reason)


def _doubted(reading: Reading) -> Reading:
    return reading if reading.value is None else replace(reading, doubts=(*reading.doubts, Doubt.CUT_SHORT))
