"""Lists of runs, the runs of one unit, and the report of one run."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from typing import Any

from sqlalchemy import select

from wavewright.errors import Misuse
from wavewright.logbook.filter_words import DECLARED, FILTER_WORDS
from wavewright.logbook.quarantine import quarantine_words
from wavewright.logbook.queries import Filter, Point
from wavewright.logbook.tables import EPOCH, moment_of, outcomes, readings
from wavewright.pages.line.figure_pages import nothing_left
from wavewright.pages.line.line_view import LinePage, LineView, line_page
from wavewright.reporting.html import report_values

ON_A_PAGE = 100
NO_RUN = Filter(since=EPOCH, until=EPOCH)  # what a page is about that no later run changes
RUNS_OF_UNIT = 50  # newest ones that are shown with all their readings


@line_page("runs", words=("to",))
def runs_page(view: LineView) -> LinePage:
    """The runs that the filters leave, newest first; `to` is how many newer ones are left out."""
    asked = view.asked
    view.check_names()
    chosen = view.choose(asked.which)
    if not chosen.numbers.size:
        raise nothing_left(view)
    skipped = _count(asked.words.get("to", "0"), chosen.numbers.size)
    numbers = chosen.numbers[::-1][skipped : skipped + ON_A_PAGE].tolist()
    failed = view.at.failed.of_runs(numbers)
    older = skipped + ON_A_PAGE
    values = {
        "title": "Runs",
        "chosen": chosen,
        "rows": [(view.runs.entry(number), failed.get(number, [])) for number in numbers],
        "skipped": skipped,
        "total": int(chosen.numbers.size),
        "newer": asked.to("runs", to=str(max(0, skipped - ON_A_PAGE))) if skipped else "",
        "older": asked.to("runs", to=str(older)) if older < chosen.numbers.size else "",
    }
    return LinePage("runs.html.j2", values, asked.which)


@line_page("unit")
def unit_page(view: LineView) -> LinePage:
    """One unit with all its runs, newest first, and every reading of them."""
    asked = view.asked
    serial = asked.which.serial
    if serial is None:
        raise Misuse("which unit is not said", expected="`serial=…` in the address", do="type its serial number above")
    view.check_names()
    found = view.chosen(asked.which)
    if not found.size:
        raise nothing_left(view)
    serials = sorted(set(view.runs.column("serial", found)))
    if len(serials) > 1:
        values = {"title": f"Units {serial}", "serials": serials[:1000], "count": len(serials)}
        return LinePage("units.html.j2", values, asked.which)
    numbers = found[::-1][:RUNS_OF_UNIT].tolist()
    runs = [view.runs.entry(number) for number in numbers]
    by_run = points_of_runs(view, [run.id for run in runs])
    names = list(dict.fromkeys(name for run in runs for name in by_run.get(run.id, ())))
    failed = view.at.failed.of_runs(numbers)
    order = {number: at for at, number in enumerate(found.tolist(), 1)}
    rule = view.standing.rule_of(view.runs, int(found[0]))
    documents = _documents(view, [run.id for run in runs])
    values = {
        "title": f"Unit {serials[0]}",
        "verdict": view.standing.verdict(view.runs, found),
        "rule": "" if rule is None or found.size < 2 else rule.words,
        "quarantine": quarantine_words(view.standing.apart, serials[0]),
        "marks": {run: _marks(document) for run, document in documents.items()},
        "declared": {run: document.get("declared", {}) for run, document in documents.items()},
        "runs": [(run, order[number], failed.get(number, [])) for run, number in zip(runs, numbers, strict=True)],
        "total": int(found.size),
        "names": names,
        "by_run": by_run,
        "units": view.at.units,
        "first": view.runs.entry(int(found[0])),
        "last": view.runs.entry(int(found[-1])),
    }  # fmt: skip
    return LinePage("unit.html.j2", values, asked.which)


@line_page("run", words=("id",), without=(*FILTER_WORDS, DECLARED))
def run_page(view: LineView) -> LinePage:
    """The report of one run with its pictures, as `wavewright report` writes it."""
    identifier = view.asked.words.get("id", "")
    number = view.at.numbers.get(identifier)
    if number is None or number >= len(view.runs):
        raise Misuse(f"no run `{identifier}` in the logbook", expected="the id of a run", do="follow a link of a list")
    entry = view.runs.entry(number)
    values: dict[str, Any] = report_values(view.book.outcome(identifier))
    return LinePage("run.html.j2", {**values, "entry": entry}, NO_RUN)


def _documents(view: LineView, ids: list[str]) -> dict[str, dict[str, Any]]:
    """What each run said, by its id; those that cannot be read are left out, and their report says why."""
    found = {}
    with view.book.reading() as connection:
        query = select(outcomes.c.id, outcomes.c.document).where(outcomes.c.id.in_(ids))
        for row in connection.execute(query):
            with suppress(ValueError):
                found[row.id] = json.loads(row.document)
    return found


def _marks(document: Mapping[str, Any]) -> list[str]:
    """What else is to be known of a run, in words."""
    marks = []
    if retest := document.get("retest"):
        marks.append(f"retest {retest} of run {document.get('retest_of') or 'not stated'}")
    if golden := document.get("golden"):
        marks.append(f"golden unit, expected {'to pass' if golden == 'good' else 'to fail'}")
    if quarantined := document.get("quarantined"):
        marks.append(f"run although in quarantine: {quarantined}")
    return marks


def points_of_runs(view: LineView, ids: list[str], name: str | None = None) -> dict[str, dict[str, Point]]:
    """The readings of some runs, all or those of one name, by run and name, in the order of the names."""
    names = ("outcome", "name", "started", "value", "verdict", "low", "high", "uncertainty")
    query = select(*(readings.c[name] for name in names)).where(readings.c.outcome.in_(ids)).order_by(readings.c.name)
    if name is not None:
        query = query.where(readings.c.name == name)
    found: dict[str, dict[str, Point]] = {}
    with view.book.reading() as connection:
        for row in connection.execute(query):
            point = Point(row.outcome, moment_of(row.started), "", row.value, row.verdict, row.low, row.high)
            found.setdefault(row.outcome, {})[row.name] = replace(point, uncertainty=row.uncertainty)
    return found


def _count(text: str, most: int) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 10) or int(text) >= most:
        raise Misuse(f"`to={text}`", expected=f"a whole number from 0 to {most - 1}")
    return int(text)
