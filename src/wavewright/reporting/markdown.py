"""A summary in Markdown, for a merge request or a message."""

from __future__ import annotations

import re

from wavewright.reporting.catalogue import report_format
from wavewright.reporting.readings import on_which_bench, shown_margin, shown_value
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome, Result


@report_format("markdown", ".md")
def markdown(outcome: Outcome) -> str:
    """Markdown summary: verdict, unit, and a table of all readings, for a message or a merge request."""
    about = [
        ("part", outcome.part),
        ("serial", outcome.serial),
        ("operator", outcome.operator),
        ("started", f"{outcome.started:%Y-%m-%d %H:%M:%S} UTC"),
    ]
    lines = [f"# {_text(outcome.title)}: {str(outcome.verdict).upper()}{on_which_bench(outcome)}", ""]
    lines += [f"- {name}: {_text(text)}" for name, text in about if text]
    if outcome.error:
        lines += ["", f"> {_text(outcome.error)}"]
    lines += ["", "| measurement | entry | reading | limit | margin | verdict |", "|---|---|--:|---|--:|---|"]
    for one in outcome.measurements:
        if one.error:
            lines.append(f"| {_text(one.label)} | | {_text(one.error)} | | | error |")
        lines += [_row(one, result) for result in one.results]
    told = [f"- {_text(name)}: {_text(text)}" for name, result in outcome.results.items() for text in _said(result)]
    return "\n".join([*lines, *(["", *told] if told else [])]) + "\n"


def _said(result: Result) -> list[str]:
    """Why a result did not pass, and its doubts, those that were allowed too."""
    return [*([result.reason] if result.reason else []), *(f"in doubt: {text}" for text in result.doubt_sentences)]


def _row(one: MeasurementOutcome, result: Result) -> str:
    reading = result.reading
    shown = "no number: " + _text(reading.reason) if reading.value is None else shown_value(result)
    margin = "" if result.margin is None else shown_margin(result)
    verdict = "" if result.verdict is None else str(result.verdict)
    verdict = f"**{verdict}**" if verdict not in ("", "pass") else verdict
    cells = (_text(one.label), _text(result.name), shown, _text(result.limit), margin, verdict)
    return f"| {' | '.join(cells)} |"


def _text(text: str) -> str:
    """Text that nobody here wrote, with every sign that Markdown or HTML would act on taken as itself."""
    return re.sub(r"([\\`*_{}\[\]<>#|~])", r"\\\1", " ".join(text.split()))
