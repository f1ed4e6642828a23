"""Readings and outcomes as the console shows them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from wavewright.judgement.decision import CONFORMANCE, show_probability
from wavewright.judgement.shown import RECORD_ONLY, acceptable, last_digit, show_reach, show_reading
from wavewright.judgement.verdict import Verdict
from wavewright.quantities import show_quantity
from wavewright.reporting.attached import attachment_line
from wavewright.reporting.console_table import console_table, plain_cells
from wavewright.reporting.line_marks import line_marks
from wavewright.reporting.readings_on_screen import STYLES, print_readings
from wavewright.running.readings_table import NOTHING, SIMULATED_BENCH, on_which_bench, reading_rows
from wavewright.running.time_spent import shown_seconds, time_line, time_rows

if TYPE_CHECKING:
    from rich.console import Console

    from wavewright.analysis.reading import Reading
    from wavewright.analysis.statistics.shot_statistics import ShotTrend
    from wavewright.running.outcome import Outcome
    from wavewright.running.result import CrossCheck

RESOLVED = 1e-9  # of the larger of two values: a difference below it is shown as 0

BROKEN = dict.fromkeys(map(ord, "\n\r\x0b\x0c\x85\u2028\u2029"), " ")  # what other programs wrote may end lines


def shown_reading(reading: Reading, limit: str = "") -> tuple[str, str, str, str, str]:
    """Value, count, minimum, maximum and remarks of a reading, as cells of a table.

    Parameters
    ----------
    limit : what it is judged against; the value is shown on the side of it that it lies on.
    """
    if reading.value is None:
        return NOTHING, NOTHING, NOTHING, NOTHING, reading.reason
    known, reach = last_digit(reading), show_reach(reading)

    def shown(value: float | None) -> str:
        return NOTHING if value is None else show_quantity(value, reading.unit, uncertainty=known)

    count = NOTHING if reading.count is None else str(reading.count)
    remarks = "; ".join(finding.sentence for finding in reading.doubted)
    value = show_reading(reading, acceptable(limit, reading.unit))
    value = f"{value}{', ' if reach == RECORD_ONLY else ' '}{reach}".strip()
    return value, count, shown(reading.minimum), shown(reading.maximum), remarks


def print_outcome(outcome: Outcome, console: Console) -> None:
    """The table of an outcome, what the operator should know about it, and the verdict in the last line."""
    from rich.text import Text

    unit = " ".join(word for word in (outcome.part, outcome.serial) if word).translate(BROKEN)
    head = Text(f"{outcome.title}{f', {unit}' if unit else ''}", style="bold")
    console.print(head.append(f" ({SIMULATED_BENCH})", style="yellow") if outcome.is_simulated else head)
    print_readings(list(reading_rows(outcome.measurements)), console)
    if outcome.declared:
        told = "; ".join(f"{name}: {one.shown}" for name, one in outcome.declared.items())
        console.print(Text(told.translate(BROKEN)), soft_wrap=True)
    for one in (*outcome.attachments, *outcome.added):
        # further lines of a note are indented: none can be taken for one of the table's, or for the verdict
        console.print(Text(attachment_line(one).replace("\n", "\n      ")), soft_wrap=True)
    for line in _remarks(outcome):
        console.print(Text(line), soft_wrap=True)
    verdict = str(outcome.verdict)
    last = Text("verdict: ").append(verdict, style=STYLES.get(verdict, ""))
    last.append(on_which_bench(outcome.is_simulated), style="yellow").append(_tally(outcome))
    console.print(last, soft_wrap=True)


def _remarks(outcome: Outcome) -> Iterator[str]:
    """What the table does not say: why something did not pass, doubts, and what was set otherwise than requested."""
    for one in outcome.measurements:
        if one.error:
            yield f"{one.label}: {one.error}"
        for result in one.results:
            if result.reason:
                shot = (
                    ""
                    if result.decisive_shot is None or len(result.shots) < 2
                    else f" (shot {result.decisive_shot + 1})"
                )
                yield f"{one.label}.{result.name}: {result.reason}{shot}"
        yield from (f"{one.label}.{check.name}: {_beside(check)}" for check in one.cross_checks)
    yield from _decisions(outcome)
    yield from _doubts(outcome)
    yield from _once(outcome)
    yield from (f"{name.lower()}: {text}" for name, text in line_marks(outcome))
    if outcome.corrections is not None:
        yield f"corrections: {outcome.corrections.file}"
    if outcome.error:
        yield outcome.error


def _beside(check: CrossCheck) -> str:
    """The instrument's own value and ours."""
    if check.theirs is None or check.ours is None:
        return f"the instrument has no built-in value: {check.remark}" if check.remark else "no value to cross-check"
    theirs, ours = (show_quantity(value, check.unit) for value in (check.theirs, check.ours))
    resolved = max(abs(check.theirs), abs(check.ours)) * RESOLVED
    apart = check.theirs - check.ours
    difference = show_quantity(apart if abs(apart) > resolved else 0.0, check.unit)
    return f"instrument {theirs}, computed {ours} (last shot), difference {difference}"


def _decisions(outcome: Outcome) -> Iterator[str]:
    """Each rule with a guard band, and the probability of conformance of all that it decided."""
    said: dict[str, list[str]] = {}
    for name, result in outcome.results.items():
        if result.is_guarded and result.conformance is not None:
            said.setdefault(result.rule, []).append(f"{name} {show_probability(result.conformance)}")
    for rule, found in said.items():
        yield f"{rule}, {CONFORMANCE}: {', '.join(found)}"


def _doubts(outcome: Outcome) -> Iterator[str]:
    """Each doubt in a sentence, for those that no reason says; once for all conditions of a measurement."""
    said: dict[tuple[str, str, str], list[tuple[str, str]]] = {}
    for one in outcome.measurements:
        for result in one.results:
            for doubt, sentence in zip(result.untold_doubts, result.doubt_sentences, strict=True):
                said.setdefault((one.name, result.name, doubt), []).append((one.label, sentence))
    for (name, entry, _), found in said.items():
        label, sentence = found[0]
        rest = len(found) - 1
        label, more = (label, "") if not rest else (name, f" (and {rest} more condition{'s' if rest > 1 else ''})")
        yield f"{label}.{entry}: in doubt: {sentence}{more}"


def _once(outcome: Outcome) -> Iterator[str]:
    """What the operator should know; once, where the conditions of a measurement all say the same."""
    said: dict[tuple[str, str], list[str]] = {}
    for one in outcome.measurements:
        for remark in one.remarks:
            said.setdefault((one.name, remark), []).append(one.label)
    for (name, remark), labels in said.items():
        yield f"{labels[0] if len(labels) == 1 else name}: {remark}"


def _tally(outcome: Outcome) -> str:
    verdicts = [verdict for one in outcome.measurements for verdict in one.verdicts if verdict is not None]
    counts = [f"{verdicts.count(word)} {word}" for word in Verdict if word in verdicts]
    where = f"; run {outcome.id}" if outcome.id else ""
    where += "" if outcome.folder is None else f"; evidence in {outcome.folder}"
    return f" ({', '.join(counts) or 'nothing was judged'}){where}"


def print_statistics(outcome: Outcome, console: Console) -> None:
    """Statistics over the shots of each result that has several."""
    numbers = ("shots", "mean", "s", "minimum", "median", "maximum", "trend per shot")
    table = console_table(("characteristic", *numbers), right=numbers)
    for name, result in outcome.results.items():
        found = result.statistics
        if found is None:
            continue
        values = (found.mean, found.standard_deviation, found.minimum, found.percentile(50), found.maximum)
        known = found.uncertainty or None
        shown = [NOTHING if value is None else show_quantity(value, found.unit, uncertainty=known) for value in values]
        table.add_row(name, str(found.count), *shown, _trend(found.trend, found.unit))
    console.print(table if table.row_count else "no measurement has more than one shot")


def print_times(outcome: Outcome, console: Console) -> None:
    """Where the seconds went: one line for the whole run, and a row per measurement."""
    from rich.text import Text

    whole = sum(outcome.times.values())
    if not outcome.times:
        console.print("the run does not say where its time went")
        return
    parts = [part for part, spent in outcome.times.items() if spent]
    numbers = (*parts, "together")
    table = console_table(("measurement", *numbers), right=numbers)
    for label, times in time_rows(outcome):
        spent = [*(times.get(part, 0.0) for part in parts), sum(times.values())]
        table.add_row(*plain_cells(label, *(shown_seconds(one, whole) for one in spent)))
    console.print(table)
    console.print(Text(f"time: {time_line(outcome.times)}"), soft_wrap=True)


def _trend(trend: ShotTrend | None, unit: str) -> str:
    if trend is None:
        return NOTHING
    slope, spread = (
        show_quantity(value, unit, uncertainty=trend.uncertainty or None) for value in (trend.slope, trend.uncertainty)
    )
    return f"{slope} ± {spread}{' !' if trend.is_significant else ''}"
