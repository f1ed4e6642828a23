"""Characteristics: their list, the trend of one with control charts, and the stations compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wavewright.errors import Misuse
from wavewright.logbook.columns.line_figures import figures_by
from wavewright.logbook.columns.run_columns import RunColumns
from wavewright.logbook.columns.word_column import Numbers
from wavewright.logbook.queries import Point, RunEntry
from wavewright.logbook.studies.capability import Capability, capability
from wavewright.logbook.studies.stations import StationStudy, centred, station_study
from wavewright.nearest import did_you_mean
from wavewright.pages.line.figure_pages import nothing_left
from wavewright.pages.line.line_view import ChosenRuns, LinePage, LineView, line_page
from wavewright.pages.line.page_address import YES
from wavewright.pages.line.run_pages import points_of_runs
from wavewright.reporting.line_pictures import ReadingSeries, series_charts, series_picture, stations_picture

NEWEST = 40  # readings in a table
SIGNIFICANCE = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class ChosenReadings:
    """One reading of some runs, oldest first: numbers of the runs, and the rows of `ReadingColumns`.

    Parameters
    ----------
    valued : those that have a number.
    """

    name: str
    unit: str
    numbers: Numbers
    rows: Numbers
    valued: npt.NDArray[np.bool_]


@line_page("readings", without=("verdict",))
def readings_page(view: LineView) -> LinePage:
    """Every characteristic, with how often it did not pass."""
    view.check_names()
    chosen = view.choose(view.asked.which)
    if not chosen.numbers.size:
        raise nothing_left(view)
    failed, doubted = (
        view.at.failed.counted(chosen.numbers, of=len(view.runs), verdict=word) for word in ("fail", "inconclusive")
    )
    rows = [(name, failed.get(name, 0), doubted.get(name, 0)) for name in view.at.units]
    values = {
        "title": "Characteristics",
        "chosen": chosen,
        "rows": sorted(rows, key=lambda row: (-row[1], -row[2], row[0])),
        "runs": int(chosen.numbers.size),
    }
    return LinePage("readings.html.j2", values, view.asked.which)


@line_page("trend", words=("of",), without=("verdict",))
def trend_page(view: LineView) -> LinePage:
    """One characteristic over time, with control charts, and the runs of its newest readings."""
    chosen, found = _readings(view)
    columns = view.readings(found.name)
    numbers, rows = found.numbers[found.valued], found.rows[found.valued]
    failed, doubted = (columns.has(found.rows, word) for word in ("fail", "inconclusive"))
    newest = found.numbers[::-1][:NEWEST].tolist()
    bad = found.numbers[failed | doubted][::-1]
    shown = {run.id: (run, point) for run, point in _points(view, found.name, [*newest, *bad[:NEWEST].tolist()])}
    last = shown[view.runs.ids[newest[0]]][1]
    limits = tuple(end for end in (last.low, last.high) if end is not None)
    series = _series(view, found, limits) if numbers.size else None
    charts = series_charts(series) if series is not None else ()
    values = {
        "title": found.name,
        "unit": found.unit,
        "chosen": chosen,
        "count": int(found.rows.size),
        "without_number": int((~found.valued).sum()),
        "failed": int(failed.sum()),
        "doubted": int(doubted.sum()),
        "values": _extent(columns.value[rows]),
        "capability": _capability(columns.value[rows], last),
        "picture": series_picture(series) if series is not None else None,
        "charts": charts,
        "newest": [shown[run] for number in newest if (run := view.runs.ids[number]) in shown],
        "worst": [shown[run] for number in bad[:NEWEST].tolist() if (run := view.runs.ids[number]) in shown],
        "has_stations": np.unique(view.runs.words["station"][numbers]).size > 1,
    }
    return LinePage("trend_of_reading.html.j2", values, view.asked.which)


@line_page("stations", words=("of", "went-round"), without=("verdict",))
def stations_page(view: LineView) -> LinePage:
    """The stations side by side; with `of` whether one reads otherwise than the others."""
    if "of" not in view.asked.words:
        view.check_names()
        chosen = view.choose(view.asked.which)
        if not chosen.numbers.size:
            raise nothing_left(view)
        rows = figures_by(view.runs, view.standing, chosen.numbers, "station")
        values = {"title": "Stations", "chosen": chosen, "rows": rows, "names": list(view.at.units)}
        return LinePage("stations.html.j2", values, view.asked.which)
    chosen, found = _readings(view)
    went_round = view.asked.words.get("went-round", "")
    if went_round not in ("", YES):
        raise Misuse(f"`went-round={went_round}`", expected=f"`went-round={YES}`, or without it")
    try:
        study, left_out = _compared(view, found, went_round=bool(went_round))
    except Misuse as fault:  # too few stations until now
        return LinePage("message.html.j2", {"title": f"Stations by {found.name}", "fault": fault}, view.asked.which)
    values = {
        "title": f"Stations by {found.name}",
        "name": found.name,
        "unit": found.unit,
        "chosen": chosen,
        "study": study,
        "left_out": left_out,
        "went_round": bool(went_round),
        "errors": {name: study.deviations[name] / study.counts[name] ** 0.5 or None for name in study.counts},
        "against": {one.first: one for one in study.against_rest},
        "picture": stations_picture(study, found.unit, found.name),
    }
    return LinePage("stations_of_reading.html.j2", values, view.asked.which)


def _readings(view: LineView) -> tuple[ChosenRuns, ChosenReadings]:
    name = view.asked.words.get("of", "")
    if name not in view.at.units:
        raise Misuse(
            f"no run has a reading `{name}`" if name else "which characteristic is not said",
            expected="`of=measurement.characteristic` in the address",
            do=did_you_mean(name, view.at.units, most=3, alike=0.4) or "follow a link of the list of characteristics",
        )
    view.check_names()
    chosen = view.choose(view.asked.which)
    columns = view.readings(name)
    numbers, rows = columns.rows(chosen.numbers)
    if not rows.size:
        raise (
            nothing_left(view)
            if not chosen.numbers.size
            else Misuse(f"none of the {chosen.numbers.size} runs has a reading `{name}`", do="leave a filter out")
        )
    return chosen, ChosenReadings(name, view.at.units[name], numbers, rows, ~np.isnan(columns.value[rows]))


def _series(view: LineView, found: ChosenReadings, limits: tuple[float, ...]) -> ReadingSeries:
    columns = view.readings(found.name)
    numbers, rows = found.numbers[found.valued], found.rows[found.valued]
    return ReadingSeries(
        found.name,
        found.unit,
        view.runs.started[numbers] / 1e6,
        columns.value[rows],
        columns.has(rows, "fail"),
        lambda at: _label(view.runs, int(numbers[at])),
        lambda at: f"run?id={view.runs.ids[int(numbers[at])]}",
        limits,
    )


def _label(runs: RunColumns, number: int) -> str:
    serial = runs.lists["serial"].words[runs.words["serial"][number]]
    return f"{serial}, run {runs.ids[number]}" if serial else f"run {runs.ids[number]}"


def _points(view: LineView, name: str, numbers: list[int]) -> list[tuple[RunEntry, Point]]:
    """Some runs, and their readings."""
    there = points_of_runs(view, [view.runs.ids[number] for number in numbers], name)
    found = []
    for number in numbers:
        run = view.runs.entry(number)
        if point := there.get(run.id, {}).get(name):
            found.append((run, point))
    return found


def _extent(values: npt.NDArray[np.float64]) -> dict[str, float]:
    if not values.size:
        return {}
    return {
        "mean": float(values.mean()),
        "deviation": float(values.std(ddof=1)) if values.size > 1 else 0.0,
        "minimum": float(values.min()),
        "maximum": float(values.max()),
    }


def _capability(values: npt.NDArray[np.float64], last: Point) -> Capability | None:
    """Against the limits of the newest run; other runs may have had others."""
    if last.low is None and last.high is None:
        return None
    try:
        return capability(
            values.tolist(),
            low=-np.inf if last.low is None else last.low,
            high=np.inf if last.high is None else last.high,
        )
    except Misuse:  # one value, or no scatter at all
        return None


def _compared(view: LineView, found: ChosenReadings, *, went_round: bool) -> tuple[StationStudy, int]:
    """The study, and how many readings are left out since their run has no station."""
    numbers, rows = found.numbers[found.valued], found.rows[found.valued]
    values = view.readings(found.name).value[rows]
    codes = view.runs.words["station"][numbers]
    names = view.runs.lists["station"].words
    stated = codes != view.runs.lists["station"].number("")
    if went_round:
        serials = view.runs.column("serial", numbers)
        points = [
            (names[code], serial, value)
            for code, serial, value, has in zip(codes.tolist(), serials, values.tolist(), stated.tolist(), strict=True)
            if has and serial
        ]
        return station_study(dict(sorted(centred(points).items())), significance=SIGNIFICANCE), int((~stated).sum())
    by_station = {names[code]: values[codes == code] for code in np.unique(codes[stated]).tolist()}
    # of one reading nothing can be said of how it scatters
    enough = {name: some.tolist() for name, some in sorted(by_station.items()) if some.size > 1}
    left_out = int(values.size - sum(len(some) for some in enough.values()))
    return station_study(enough, significance=SIGNIFICANCE), left_out
