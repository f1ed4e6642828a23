"""Outcomes and readings in a notebook: plain HTML whose colours stand on grounds of their own, light or dark."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from html import escape
from types import MappingProxyType

import numpy as np

from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.budget import COVERAGE
from wavewright.displays import display
from wavewright.judgement.shown import RECORD_ONLY, expanded_uncertainty, last_place, show_reach, show_reading
from wavewright.judgement.verdict import Verdict
from wavewright.quantities import show_quantity
from wavewright.reporting.drawing.svg_picture import svg_picture
from wavewright.reporting.picture import Picture
from wavewright.reporting.traces import extent, trace_picture
from wavewright.running.outcome import Outcome
from wavewright.running.readings_table import HEADINGS, NOTHING, REMARKS, ReadingRow, on_which_bench, reading_rows
from wavewright.waveform import Waveform

# grounds under white letters; contrast 6.6, 6.5, 7.1 and 7.4
GROUNDS: Mapping[str, str] = MappingProxyType(
    {Verdict.PASS: "#00684c", Verdict.FAIL: "#a33e00", Verdict.INCONCLUSIVE: "#6b5500", Verdict.ERROR: "#8a2b66"}
)


@display("outcome")
def outcome_html(outcome: Outcome) -> str:
    """Title, unit, verdict and the table of readings; whatever came from outside is escaped."""
    unit = " ".join(word for word in (outcome.part, outcome.serial) if word)
    head = f"<b>{escape(outcome.title)}</b>{f' {escape(unit)}' if unit else ''}: {badge(outcome.verdict)}"
    head += on_which_bench(outcome.is_simulated)
    broken = f"<p>{escape(outcome.error)}</p>" if outcome.error else ""
    return f"<p>{head}</p>{readings_html(reading_rows(outcome.measurements))}{broken}"


def readings_html(rows: Iterable[ReadingRow]) -> str:
    """The table of readings; whatever came from outside is escaped."""
    body = "".join(
        f"<tr>{_cells(row.cells[:-1])}<td>{badge(row.verdict)}</td>{_cells(['; '.join(row.remarks)])}</tr>"
        for row in rows
    )
    return f"<table><tr>{_cells([*HEADINGS, REMARKS], kind='th')}</tr>{body}</table>"


def badge(verdict: str) -> str:
    """A verdict as a word on a coloured ground; what was not judged has none."""
    if verdict not in GROUNDS:
        return escape(verdict)
    look = f"background: {GROUNDS[verdict]}; color: #ffffff; font-weight: bold; padding: 0 0.4em"
    return f'<span style="{look}">{escape(verdict)}</span>'


@display("reading")
def reading_html(reading: Reading) -> str:
    """The value with its uncertainty, the interval that it lies in, its occurrences, and each doubt in a sentence."""
    if reading.value is None:
        return f"<p><b>no reading</b>: {escape(reading.reason)}</p>"
    value, reach = show_reading(reading, None), show_reach(reading)
    joint = ", " if reach == RECORD_ONLY else " "
    head = f"<p><b>{escape(value)}</b>{escape(f'{joint}{reach}' if reach else '')}</p>"
    return f"{head}{facts_html(_facts(reading))}"


@display("waveform")
def waveform_html(wave: Waveform) -> str:
    """A small picture of a record, and what is known of it."""
    if not len(wave):
        return facts_html([("waveform", wave.label), ("samples", "none")])
    picture = trace_picture(
        {wave.label: wave}, trigger_time=np.nan, name="waveform", title=wave.label, keep_codes=False
    )
    small = replace(picture, panels=tuple(replace(panel, height=110) for panel in picture.panels))
    return f"{svg_picture([small], width=620)}{facts_html(_facts_of_record(wave, picture))}"


def _facts_of_record(wave: Waveform, picture: Picture) -> Iterator[tuple[str, str]]:
    low, high = extent(picture.traces())
    step = (high - low) / 1000 or None
    first, last = (show_quantity(wave.time_of(index), "s") for index in (0, len(wave) - 1))
    rate = show_quantity(1 / wave.interval, "Hz")
    yield "samples", f"{len(wave)} of {wave.codes.dtype}, one per {show_quantity(wave.interval, 's')} ({rate})"
    yield "time", f"{first} .. {last}"
    yield "lowest, highest", ", ".join(show_quantity(end, wave.unit, resolution=step) for end in (low, high))
    if wave.code_range is not None:
        clipped = int(np.count_nonzero((wave.codes <= wave.code_range[0]) | (wave.codes >= wave.code_range[1])))
        yield "clipped", f"{clipped} samples at an end of the converter's range"
    if wave.codes.dtype.kind == "f" and (invalid := int(np.count_nonzero(np.isnan(wave.codes)))):
        yield "invalid", f"{invalid} samples"


def facts_html(facts: Iterable[tuple[str, str]]) -> str:
    """A table of two columns: what, and how much."""
    rows = "".join(f'<tr><th style="text-align: left">{escape(name)}</th>{_cells([text])}</tr>' for name, text in facts)
    return f"<table>{rows}</table>" if rows else ""


def _facts(reading: Reading) -> Iterator[tuple[str, str]]:
    assert reading.value is not None
    expanded = expanded_uncertainty(reading)
    if expanded:
        step = 10.0 ** last_place(expanded)
        # outwards, so that what is shown holds what it stands for
        ends = (math.floor((reading.value - expanded) / step), math.ceil((reading.value + expanded) / step))
        low, high = (show_quantity(end * step, reading.unit, resolution=step) for end in ends)
        yield f"interval ({COVERAGE:.0%})", f"{low} .. {high}"
    if reading.count is not None:
        yield "occurrences", str(reading.count)
        for name, end in (("smallest", reading.minimum), ("largest", reading.maximum)):
            if end is not None:
                yield name, show_quantity(end, reading.unit, uncertainty=reading.uncertainty)
    if reading.at is not None:
        yield "at", show_quantity(reading.at, "s")
    for found in reading.doubted:
        yield "in doubt", found.sentence
    if reading.budget is not None and not reading.budget.is_complete:
        yield "not stated", ", ".join(reading.budget.missing) or NOTHING


def _cells(texts: Iterable[str], *, kind: str = "td") -> str:
    return "".join(f"<{kind}>{escape(text)}</{kind}>" for text in texts)
