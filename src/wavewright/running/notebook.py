"""An outcome as a notebook shows it: verdict and table of readings, in plain HTML."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from wavewright.judgement.shown import acceptable, show_judged, show_margin
from wavewright.running.outcome import Outcome, Result

HEADINGS = ("reading", "value", "limit", "margin", "verdict", "remarks")


def outcome_as_html(outcome: Outcome) -> str:
    """Title, unit, verdict and one row a reading; whatever came from outside is escaped."""
    unit = " ".join(word for word in (outcome.part, outcome.serial) if word)
    head = f"<b>{escape(outcome.title)}</b> {escape(unit)}: <b>{escape(str(outcome.verdict))}</b>"
    head += ", on a simulated bench" if outcome.is_simulated else ""
    rows = [_row([name, *_cells(result)]) for name, result in outcome.results.items()]
    errors = [f"{one.label}: {one.error}" for one in outcome.measurements if one.error]
    broken = "".join(f"<p>{escape(text)}</p>" for text in [*errors, outcome.error] if text)
    return f"<p>{head}</p><table>{_row(HEADINGS, cell='th')}{''.join(rows)}</table>{broken}"


def _cells(result: Result) -> Sequence[str]:
    reading = result.reading
    remarks = [result.reason or reading.reason, *result.doubt_sentences]
    return (
        "–"
        if reading.value is None
        else show_judged(
            reading.value, reading.unit, acceptable(result.limit, reading.unit), uncertainty=reading.uncertainty
        ),
        result.limit or "–",
        "–" if result.margin is None else show_margin(result.margin, reading.unit, uncertainty=reading.uncertainty),
        "–" if result.verdict is None else str(result.verdict),
        "; ".join(remark for remark in remarks if remark),
    )


def _row(cells: Sequence[str], *, cell: str = "td") -> str:
    return f"<tr>{''.join(f'<{cell}>{escape(text)}</{cell}>' for text in cells)}</tr>"
