"""Characteristics: their list, the trend of one with control charts, and the stations compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wavewright.errors import Misuse
from wavewright.logbook.columns.line_figures import figures_by
from wavewright.logbook.columns.word_column import Numbers
from wavewright.logbook.queries import Point, RunEntry
from wavewright.logbook.studies.capability import Capability, capability
from wavewright.logbook.studies.stations import StationStudy, centred, station_study
from wavewright.logbook.tables import moment_of
from wavewright.nearest import did_you_mean
from wavewright.pages.line.figure_pages import nothing_left
from wavewright.pages.line.line_view import ChosenRuns, LinePage, LineView, line_page
from wavewright.pages.line.page_address import YES, check_names
from wavewright.reporting.line_pictures import ReadingSeries, series_charts, series_picture, stations_picture

NEWEST = 60  # readings in a table
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
    check_names(view.asked.which, view.runs)
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
    series = _series(view, found) if numbers.size else None
    charts = series_charts(series) if series is not None else ()
    newest = list(zip(found.numbers[::-1][:NEWEST].tolist(), found.rows[::-1][:NEWEST].tolist(), strict=True))
    bad = np.flatnonzero(failed | doubted)[::-1]
    worst = [(int(found.numbers[at]), int(found.rows[at])) for at in bad[:NEWEST].tolist()]
    values = {
        "title": found.name,
        "unit": found.unit,
        "chosen": chosen,
        "count": int(found.rows.size),
        "without_number": int((~found.valued).sum()),
        "failed": int(failed.sum()),
        "doubted": int(doubted.sum()),
        "values": _extent(columns.value[rows]),
        "capability": _capability(view, found),
        "limits": series.limits if series is not None else (),
        "picture": series_picture(series) if series is not None else None,
        "charts": charts,
        "newest": [_point(view, found, *pair) for pair in newest],
        "worst": [_point(view, found, *pair) for pair in worst],
        "has_stations": np.unique(view.runs.words["station"][numbers]).size > 1,
    }
    return LinePage("trend_of_reading.html.j2", values, view.asked.which)


@line_page("stations", words=("of", "went-round"), without=("verdict",))
def stations_page(view: LineView) -> LinePage:
    """The stations side by side; with `of` whether one reads otherwise than the others."""
    if "of" not in view.asked.words:
        check_names(view.asked.which, view.runs)
        chosen = view.choose(view.asked.which)
        if not chosen.numbers.size:
            raise nothing_left(view)
        rows = figures_by(view.runs, chosen.numbers, "station")
        values = {"title": "Stations", "chosen": chosen, "rows": rows, "names": list(view.at.units)}
        return LinePage("stations.html.j2", values, view.asked.which)
    chosen, found = _readings(view)
    went_round = view.asked.words.get("went-round", "")
    if went_round not in ("", YES):
        raise Misuse(f"`went-round={went_round}`", expected=f"`went-round={YES}`, or without it")
    study, left_out = _compared(view, found, went_round=bool(went_round))
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
    check_names(view.asked.which, view.runs)
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


def _series(view: LineView, found: ChosenReadings) -> ReadingSeries:
    columns = view.readings(found.name)
    numbers, rows = found.numbers[found.valued], found.rows[found.valued]
    ends = np.unique(np.concatenate([columns.low[rows], columns.high[rows]]))
    limits = tuple(float(end) for end in ends if np.isfinite(end))
    return ReadingSeries(
        found.name,
        found.unit,
        view.runs.started[numbers] / 1e6,
        columns.value[rows],
        columns.has(rows, "fail"),
        lambda at: _label(view.runs.entry(int(numbers[at]))),
        lambda at: f"run?id={view.runs.ids[int(numbers[at])]}",
        limits if len(limits) <= 6 else limits[:3] + limits[-3:],
    )


def _label(run: RunEntry) -> str:
    return f"{run.serial}, run {run.id}" if run.serial else f"run {run.id}"


def _point(view: LineView, found: ChosenReadings, number: int, row: int) -> tuple[RunEntry, Point]:
    """A run, and its reading."""
    columns = view.readings(found.name)
    run = view.runs.entry(number)
    value, uncertainty, low, high = (
        None if np.isnan(one) else float(one)
        for one in (columns.value[row], columns.uncertainty[row], columns.low[row], columns.high[row])
    )
    verdict = columns.verdicts.words[columns.verdict[row]] or None
    started = moment_of(int(view.runs.started[number]))
    return run, Point(run.id, started, run.serial, value, verdict, low, high, run.operator, run.station, uncertainty)


def _extent(values: npt.NDArray[np.float64]) -> dict[str, float]:
    if not values.size:
        return {}
    return {
        "mean": float(values.mean()),
        "deviation": float(values.std(ddof=1)) if values.size > 1 else 0.0,
        "minimum": float(values.min()),
        "maximum": float(values.max()),
    }


def _capability(view: LineView, found: ChosenReadings) -> Capability | None:
    """Against the limits of the newest run; other runs may have had others."""
    columns = view.readings(found.name)
    low, high = columns.low[found.rows[-1]], columns.high[found.rows[-1]]
    if np.isnan(low) and np.isnan(high):
        return None
    try:
        return capability(
            columns.value[found.rows[found.valued]].tolist(),
            low=-np.inf if np.isnan(low) else float(low),
            high=np.inf if np.isnan(high) else float(high),
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
