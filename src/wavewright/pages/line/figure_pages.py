"""The day, a part, a batch: units, yields, what fails, and on which station."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

import numpy as np

from wavewright.errors import Misuse
from wavewright.logbook.columns.line_figures import LineFigures, figures_by, figures_by_day, figures_of
from wavewright.logbook.columns.word_column import Numbers
from wavewright.logbook.filter_words import DECLARED, FILTER_WORDS
from wavewright.logbook.line_notes import LineNote, NoteKind
from wavewright.logbook.quarantine import quarantine_words
from wavewright.logbook.queries import Filter, RunEntry
from wavewright.logbook.studies.pareto import ParetoRow, pareto
from wavewright.logbook.studies.proportions import Proportion, proportion
from wavewright.logbook.tables import microseconds, moment_of
from wavewright.pages.line.line_view import ChosenRuns, LinePage, LineView, line_page
from wavewright.reporting.chart_pictures import pareto_picture, yield_picture
from wavewright.reporting.picture import Picture

MOST_LISTED = 40  # rows of a table; a link leads to all of them
MOST_CAUSES = 12  # bars of a Pareto; the table has more
MOST_DAYS = 400  # of a picture of days
VERDICT = ("verdict",)


@dataclass(frozen=True, slots=True, eq=False)
class LineOverview:
    """What the page of a day, a part or a batch shows.

    Parameters
    ----------
    first_pass, final : the two yields; new_units : first-pass yield of the units that have no run before these; None
        where every unit is new, or none is.
    verdicts : how many runs have each verdict.
    causes : failed readings by how often; in_doubt : readings that are inconclusive, likewise.
    unfinished : the last run of each unit that has not passed, newest first, with its readings that did not.
    apart : units in quarantine, and why; calls : rules of batches that called for one of these runs.
    """

    figures: LineFigures
    first_pass: Proportion
    final: Proportion
    new_units: Proportion | None
    verdicts: Mapping[str, int]
    causes: tuple[ParetoRow, ...]
    in_doubt: tuple[ParetoRow, ...]
    stations: tuple[LineFigures, ...]
    batches: tuple[LineFigures, ...]
    parts: tuple[LineFigures, ...]
    days: tuple[LineFigures, ...]
    unfinished: tuple[tuple[RunEntry, tuple[tuple[str, str], ...]], ...]
    unfinished_count: int
    apart: tuple[tuple[RunEntry, str], ...]
    calls: tuple[LineNote, ...]
    pictures: tuple[Picture, ...]


def overview(view: LineView, chosen: ChosenRuns) -> LineOverview:
    """Count some runs; there is at least one."""
    runs, numbers = view.runs, chosen.numbers
    figures = figures_of(runs, view.standing, numbers)
    failed, doubted = (view.at.failed.counted(numbers, of=len(runs), verdict=word) for word in ("fail", "inconclusive"))
    causes = pareto(Counter(failed).elements())
    verdicts = Counter(runs.column("verdict", numbers))
    days = tuple(figures_by_day(runs, view.standing, numbers))
    unfinished = _unfinished(view, numbers)
    shown = unfinished[::-1][:MOST_LISTED].tolist()
    names = view.at.failed.of_runs(shown)
    pictures = [pareto_picture("all", causes[:MOST_CAUSES])] if causes else []
    if 1 < len(days) <= MOST_DAYS:
        pictures.append(yield_picture("days", days))
    is_partly_new = 0 < figures.new < figures.units
    return LineOverview(
        figures,
        share(figures.first_passed, figures.units),
        share(figures.good, figures.units),
        share(figures.new_passed, figures.new) if is_partly_new else None,
        verdicts,
        causes,
        pareto(Counter(doubted).elements()),
        tuple(figures_by(runs, view.standing, numbers, "station")),
        tuple(sorted(figures_by(runs, view.standing, numbers, "batch"), key=lambda one: one.latest, reverse=True)),
        tuple(figures_by(runs, view.standing, numbers, "part")),
        days[::-1],
        tuple((runs.entry(number), tuple(names.get(number, ()))) for number in shown),
        unfinished.size,
        tuple(_apart(view, numbers)),
        tuple(_calls(view, numbers)),
        tuple(pictures),
    )


@lru_cache(maxsize=4096)
def share(count: int, total: int) -> Proportion:
    """A yield with its interval."""
    return proportion(count, total)


def _unfinished(view: LineView, numbers: Numbers) -> Numbers:
    """The last run of each unit that has not passed, oldest first."""
    _, from_end, whose = np.unique(view.runs.units(numbers)[::-1], return_index=True, return_inverse=True)
    passed = view.standing.passed(view.runs, numbers, whose[::-1])
    return numbers[np.sort(numbers.size - 1 - from_end[~passed])]


def _apart(view: LineView, numbers: Numbers) -> list[tuple[RunEntry, str]]:
    """The last run of each unit that is in quarantine, and why it is."""
    last = {view.runs.entry(number).serial: number for number in numbers[view.standing.set_apart(view.runs, numbers)]}
    return [
        (view.runs.entry(int(number)), quarantine_words(view.standing.apart, serial)) for serial, number in last.items()
    ]


def _calls(view: LineView, numbers: Numbers) -> list[LineNote]:
    """The rules that called in the batch, or else for one of some runs, newest first."""
    calls = [note for note in view.standing.notes if note.kind is NoteKind.CALL]
    meant = {view.runs.ids[number] for number in numbers.tolist()} if calls else set()
    batch = view.asked.which.batch
    found = [note for note in calls if note.says.get("run") in meant or note.says.get("batch") == batch]
    return found[::-1]


def _page(view: LineView, chosen: ChosenRuns, *, title: str, about: Filter | None = None, **more: Any) -> LinePage:
    found = overview(view, chosen) if chosen.numbers.size else None
    values = {
        "title": title,
        "overview": found,
        "chosen": chosen,
        "newer": "",
        "older": "",
        "said": "",
        "most": MOST_LISTED,
        **more,
    }
    return LinePage("figures.html.j2", values, view.asked.which if about is None else about)


@line_page("day", words=("day",), without=(*VERDICT, "since", "until", "serial"))
def day_page(view: LineView) -> LinePage:
    """The runs of one day, UTC: that of the address, or else the newest one that has any."""
    asked = view.asked
    view.check_names()
    every = view.choose(asked.which)
    if "day" in asked.words:
        day = _day(asked.words["day"])
    elif every.numbers.size:
        day = _midnight(view.runs.entry(int(every.numbers[-1])).started)
    else:
        day = _midnight(view.now)
    end = day_after(day)
    which = replace(asked.which, since=day, until=end)
    chosen = view.choose(which)
    starts = view.runs.started[every.numbers]
    before = int(np.searchsorted(starts, microseconds(day)))
    after = every.numbers.size if end is None else int(np.searchsorted(starts, microseconds(end)))
    is_today = day == _midnight(view.now)
    said = "Today." if is_today else "No runs today yet: the last day with runs." if "day" not in asked.words else ""
    # of the newest day every new run may be the first of another one
    is_newest = after == every.numbers.size
    return _page(
        view,
        chosen,
        title=f"{day:%A} {day:%Y-%m-%d}",
        about=asked.which if is_newest else which,
        said=said,
        older=_day_address(view, starts[before - 1]) if before else "",
        newer=_day_address(view, starts[after]) if not is_newest else "",
    )


@line_page("part", without=VERDICT)
def part_page(view: LineView) -> LinePage:
    """All runs of one part."""
    return _filtered(view, "part", "Part")


@line_page("batch", without=VERDICT)
def batch_page(view: LineView) -> LinePage:
    """All runs of one batch."""
    return _filtered(view, "batch-name", "Batch")


@line_page("selection", without=VERDICT)
def selection_page(view: LineView) -> LinePage:
    """The runs that filters leave, whatever they are."""
    view.check_names()
    chosen = view.choose(view.asked.which)
    if not chosen.numbers.size:
        raise nothing_left(view)
    return _page(view, chosen, title="Runs that the filters leave" if view.asked.is_filtered else "All runs")


def _filtered(view: LineView, word: str, name: str) -> LinePage:
    asked = view.asked
    if word not in asked.filters:
        raise Misuse(
            f"which {name.lower()} is not said", expected=f"`{word}=…` in the address", do="follow a link of a list"
        )
    view.check_names()
    chosen = view.choose(asked.which)
    if not chosen.numbers.size:
        raise nothing_left(view)
    return _page(view, chosen, title=f"{name} {asked.filters[word]}")


def nothing_left(view: LineView) -> Misuse:
    """What to say where filters together leave no run."""
    each = [
        f"`{word}={text}` by itself leaves {view.chosen(_alone(view.asked.which, word)).size}"
        for word, text in view.asked.filters.items()
    ]
    for field in view.asked.which.declared:
        alone = view.chosen(Filter(declared=(field,))).size
        each.append(f"`{DECLARED}={'='.join(field)}` by itself leaves {alone}")
    return Misuse(
        "no run matches all filters together" if len(each) > 1 else "no run matches the filter",
        expected="; ".join(each) or "a run in the logbook",
        do="leave a filter out" if each else "`wavewright run` enters the first one",
    )


def _alone(which: Filter, word: str) -> Filter:
    name = FILTER_WORDS[word]
    return replace(Filter(), **{name: getattr(which, name)})


def day_after(day: datetime) -> datetime | None:
    """The midnight that ends a day; None where no calendar has it: 9999-12-31 of a clock that is wrong."""
    try:
        return day + timedelta(days=1)
    except OverflowError:
        return None


def _day(text: str) -> datetime:
    try:
        day = datetime.strptime(text, "%Y-%m-%d")
    except ValueError as fault:
        raise Misuse(f"`day={text}`", expected="a day in ISO 8601 form, such as 2026-03-02") from fault
    return day.replace(tzinfo=UTC)


def _midnight(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)


def _day_address(view: LineView, started: np.int64) -> str:
    return view.asked.to("day", day=moment_of(int(started)).date().isoformat())
