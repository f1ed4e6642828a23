"""Where the seconds of the units went: by part, by measurement, by station."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Annotated, Any

import numpy as np
from sqlalchemy import select

from wavewright.errors import Misuse
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter
from wavewright.logbook.studies.catalogue import StudyOption, StudyResult, run_study
from wavewright.logbook.studies.proportions import no_runs
from wavewright.logbook.tables import outcomes
from wavewright.running.result import label_of
from wavewright.running.time_spent import name_of, shown_seconds

LOW, HIGH = 5, 95  # percentiles beside the median
AT_ONCE = 200  # documents read at a time


@dataclass(frozen=True, slots=True)
class SpentOnOne:
    """How long one thing took over many runs, s.

    Parameters
    ----------
    runs : in which it was.
    median, low, high : 50th, 5th and 95th percentile over these.
    share : of the time of all runs together, 0 … 1.
    """

    name: str
    runs: int
    median: float
    low: float
    high: float
    share: float


@run_study("times", example="wavewright study times --batch-name lot-7")
def times_of_runs(
    book: Logbook,
    which: Filter,
    *,
    most: Annotated[int, StudyOption("How many measurements are listed, those that cost most first.", least=1)] = 10,
) -> StudyResult:
    """Seconds per unit: by part, measurement, and station.

    Median, 5th and 95th percentile over the runs, and the share of the time of all runs together. Each instant of a run
    counts for one part, so shares of parts sum to 1; runs from before times were kept are left out.

    Raises
    ------
    Misuse : there is no run, or none that says where its time went.
    """
    runs, without = [], 0
    for station, document in _documents(book, which):
        if document.get("times"):
            runs.append((station, document))
        else:
            without += 1
    if not runs:
        if not without:
            raise no_runs()
        raise Misuse(
            f"none of {without} runs says where its time went",
            expected="runs of this version or a later one that were not cut off",
        )
    wholes = [sum(document["times"].values()) for _, document in runs]
    total = sum(wholes) or 1.0
    parts, measured, stations = _gathered(runs)
    whole = _spent("whole", wholes, total)
    by_part = [_spent(part, spent, total) for part, spent in parts.items()]
    by_measurement = sorted(
        (_spent(label, spent, total) for label, spent in measured.items()), key=lambda one: (-one.share, one.name)
    )
    by_station = [_spent(station, spent, total) for station, spent in sorted(stations.items())]
    plain = {
        "runs": len(runs),
        "without_times": without,
        "whole": asdict(whole),
        "parts": [asdict(one) for one in by_part],
        "measurements": [asdict(one) for one in by_measurement],
        "stations": [asdict(one) for one in by_station],
    }
    return StudyResult(plain, tuple(_lines(whole, by_part, by_measurement[:most], by_station, without)))


def _documents(book: Logbook, which: Filter) -> Iterator[tuple[str, dict[str, Any]]]:
    """Station and document of each run."""
    query = select(outcomes.c.station, outcomes.c.document).where(*which.conditions()).order_by(outcomes.c.started)
    with book.reading() as connection:
        for station, document in connection.execution_options(yield_per=AT_ONCE).execute(query):
            yield station, json.loads(document)


Spent = dict[str, list[float]]


def _gathered(runs: Sequence[tuple[str, Mapping[str, Any]]]) -> tuple[Spent, Spent, Spent]:
    """Seconds by part, by measurement and by station, one number per run in which it was."""
    parts: Spent = {}
    measured: Spent = {}
    stations: Spent = {}
    for station, document in runs:
        for part, spent in document["times"].items():
            parts.setdefault(part, []).append(spent)
        once: dict[str, float] = {}
        for one in document["measurements"]:
            label = label_of(one["name"], one["conditions"])
            once[label] = once.get(label, 0.0) + sum(one.get("times", {}).values())
        for label, spent in once.items():
            measured.setdefault(label, []).append(spent)
        stations.setdefault(station, []).append(sum(document["times"].values()))
    return parts, measured, stations


def _spent(name: str, seconds: Sequence[float], total: float) -> SpentOnOne:
    low, median, high = (float(value) for value in np.percentile(seconds, (LOW, 50, HIGH)))
    return SpentOnOne(name, len(seconds), median, low, high, sum(seconds) / total)


def _lines(
    whole: SpentOnOne,
    parts: Sequence[SpentOnOne],
    measurements: Sequence[SpentOnOne],
    stations: Sequence[SpentOnOne],
    without: int,
) -> Iterator[str]:
    left_out = f"; not in it: {_counted(without)} without times" if without else ""
    yield f"{_counted(whole.runs)}, {_told(whole, whole.high)}{left_out}"
    yield from (f"{name_of(one.name)}: {_told(one, whole.high)}, {_percent(one)} of the time" for one in parts)
    if measurements:
        yield "measurements, those that cost most first:"
        yield from (f"{one.name}: {_told(one, whole.high)}, {_percent(one)} of the time" for one in measurements)
    if [one.name for one in stations] != [""]:
        yield "stations:"
        named = ((one.name or "(no station)", one) for one in stations)
        yield from (f"{name}: {_counted(one.runs)}, {_told(one, whole.high)}" for name, one in named)


def _told(one: SpentOnOne, whole: float) -> str:
    median, low, high = (shown_seconds(value, whole) for value in (one.median, one.low, one.high))
    return f"median {median} ({LOW} % … {HIGH} %: {low} … {high})"


def _counted(runs: int) -> str:
    return f"{runs} run{'' if runs == 1 else 's'}"


def _percent(one: SpentOnOne) -> str:
    return f"{100 * one.share:.1f} %"
