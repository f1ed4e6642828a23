"""A summary in Markdown, for a merge request or a message."""

from __future__ import annotations

import re

from wavewright.judgement.verdict import Verdict
from wavewright.reporting.attached import attachment_line
from wavewright.reporting.catalogue import report_format
from wavewright.reporting.line_marks import line_marks
from wavewright.running.outcome import Outcome
from wavewright.running.readings_table import HEADINGS, NOT_JUDGED, ReadingRow, on_which_bench, reading_rows
from wavewright.running.time_spent import time_line


@report_format("markdown", ".md")
def markdown(outcome: Outcome) -> str:
    """Markdown summary: verdict, unit, and a table of all readings, for a message or a merge request."""
    about = [
        ("part", outcome.part),
        ("serial", outcome.serial),
        ("operator", outcome.operator),
        ("started", f"{outcome.started:%Y-%m-%d %H:%M:%S} UTC"),
        ("time", time_line(outcome.times)),
        ("corrections", outcome.corrections.file if outcome.corrections else ""),
        *((name.lower(), text) for name, text in line_marks(outcome)),
        *((name, one.shown) for name, one in outcome.declared.items()),
        *((f"calibration of {name}", note.words) for name, note in outcome.calibrations.items()),
    ]
    lines = [f"# {_text(outcome.title)}: {str(outcome.verdict).upper()}{on_which_bench(outcome.is_simulated)}", ""]
    lines += [f"- {name}: {_text(text)}" for name, text in about if text]
    if outcome.error:
        lines += ["", f"> {_text(outcome.error)}"]
    rows = list(reading_rows(outcome.measurements))
    lines += ["", f"| {' | '.join(HEADINGS)} |", "|---|---|--:|---|--:|---|"]
    lines += [_line(row) for row in rows]
    told = [f"- {_text(_name(row))}: {_text(text)}" for row in rows for text in _said(row)]
    told += [f"- {_text(attachment_line(one))}" for one in (*outcome.attachments, *outcome.added)]
    return "\n".join([*lines, *(["", *told] if told else [])]) + "\n"


def _name(row: ReadingRow) -> str:
    """What a line below the table calls a row."""
    return row.measurement if row.result is None else f"{row.measurement}.{row.characteristic}"


def _said(row: ReadingRow) -> list[str]:
    """Why a reading did not pass or did not come about, how it was decided, and its doubts, the allowed ones too."""
    return [*(text for text in (row.reason, row.decision) if text), *(f"in doubt: {text}" for text in row.doubts)]


def _line(row: ReadingRow) -> str:
    *cells, verdict = map(_text, row.cells)
    stands_out = row.verdict not in (NOT_JUDGED, Verdict.PASS)
    return f"| {' | '.join(cells)} | {f'**{verdict}**' if stands_out else verdict} |"


def _text(text: str) -> str:
    """Text that nobody here wrote, with every sign that Markdown or HTML would act on taken as itself."""
    return re.sub(r"([\\`*_{}\[\]<>#|~])", r"\\\1", " ".join(text.split()))
