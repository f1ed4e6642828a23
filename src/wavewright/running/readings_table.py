"""The table of readings: what console, HTML, Markdown, notebook and JUnit XML draw, each in its own way.

Every cell is made here and nowhere else, so that one number has one rounding in all of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from wavewright.judgement.shown import RECORD_ONLY, acceptable, last_digit, show_margin, show_reach, show_reading
from wavewright.judgement.verdict import Verdict
from wavewright.running.result import MeasurementOutcome, Result

NOTHING = "–"
NOT_JUDGED = "not judged"
HEADINGS = ("measurement", "characteristic", "measured value", "limit", "margin", "verdict")
REMARKS = "remarks"
SIMULATED_BENCH = "simulated bench"


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One row of the table, in words; a cell that has nothing to say is a dash.

    Parameters
    ----------
    measurement : its label, with the conditions; characteristic : name of the entry in the recipe.
    value : with as many digits as its uncertainty bears, on the side of its limit that it was judged on.
    reach : what follows it: ± its expanded uncertainty (95 %), or that only the record is known.
    margin : how far the value is inside its limit, or with a minus outside; of a ratio in percentage points.
    reason : why it did not pass, or why no reading came about; doubts : what else speaks against it, in sentences.
    decision : with a guard band, the rule and the probability of conformance.
    result : what the row is about; None where no reading came about.
    """

    measurement: str
    characteristic: str = NOTHING
    value: str = NOTHING
    reach: str = ""
    limit: str = NOTHING
    margin: str = NOTHING
    verdict: str = NOT_JUDGED
    reason: str = ""
    decision: str = ""
    doubts: tuple[str, ...] = ()
    result: Result | None = None

    @property
    def cells(self) -> tuple[str, str, str, str, str, str]:
        """What stands below the `HEADINGS`."""
        return self.measurement, self.characteristic, self.measured, self.limit, self.margin, self.verdict

    @property
    def measured(self) -> str:
        """The value with what follows it: `3.279 V ± 56 mV`, `3.2790 V, record only`."""
        joint = "" if not self.reach else ", " if self.reach == RECORD_ONLY else " "
        return f"{self.value}{joint}{self.reach}"

    @property
    def remarks(self) -> tuple[str, ...]:
        """The reason, the decision and the doubts."""
        return (*(text for text in (self.reason, self.decision) if text), *self.doubts)


def reading_row(measurement: str, result: Result) -> ReadingRow:
    """The row of one result of a measurement."""
    reading, value = result.reading, shown_value(result)
    return ReadingRow(
        measurement,
        result.name,
        value=value,
        reach=show_reach(reading) if value != NOTHING else "",
        limit=result.limit or NOTHING,
        margin=shown_margin(result),
        verdict=shown_verdict(result.verdict),
        reason=result.reason or reading.reason,
        decision=result.decision,
        doubts=result.doubt_sentences,
        result=result,
    )


def reading_rows(measurements: Iterable[MeasurementOutcome]) -> Iterator[ReadingRow]:
    """Every row of the table, in the order of the run: the results of a measurement, then what broke it off."""
    for one in measurements:
        for result in one.results:
            yield reading_row(one.label, result)
        if one.error:
            yield ReadingRow(one.label, verdict=str(Verdict.ERROR), reason=one.error)


def shown_value(result: Result) -> str:
    """The reading of a result as its row has it."""
    reading = result.reading
    if reading.value is None or math.isnan(reading.value):
        return NOTHING
    return show_reading(reading, acceptable(result.limit, reading.unit))


def shown_margin(result: Result) -> str:
    """How far the reading is inside its limit as its row has it."""
    if result.margin is None:
        return NOTHING
    return show_margin(result.margin, result.reading.unit, uncertainty=last_digit(result.reading))


def shown_verdict(verdict: Verdict | None) -> str:
    """The word for a verdict; what was not judged says so."""
    return NOT_JUDGED if verdict is None else str(verdict)


def on_which_bench(is_simulated: bool) -> str:
    """What follows a verdict: `, on a simulated bench`; nothing where real instruments measured."""
    return f", on a {SIMULATED_BENCH}" if is_simulated else ""
