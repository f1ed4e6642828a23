"""A logbook of a line, filled by rows: as many runs as wanted, of six stations over half a year, in seconds."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from sqlalchemy import Connection, select

from tests.logbook.made_outcomes import outcome, result
from wavewright.logbook.book import Logbook
from wavewright.logbook.database import insert_rows
from wavewright.logbook.tables import heads, links, microseconds, outcomes, readings
from wavewright.running.declared import Declared

STATIONS = tuple(f"line_{number}" for number in range(1, 7))
READINGS = 20
PART = 2000  # runs that are inserted at once
LIMIT = 0.040
Row = dict[str, Any]


def fill(book: Logbook, runs: int, *, end: datetime, days: int = 180) -> None:
    """Enter runs with 20 readings each, about 2 % of them failed, and every fiftieth unit run twice.

    Parameters
    ----------
    end : start of the newest run; the others are spread evenly over the days before.
    """
    plain = outcome()
    results = tuple(result(f"reading_{k:02}", 0.03) for k in range(READINGS))
    one = replace(plain.measurements[0], results=results)
    early = replace(plain, measurements=(one,), started=end - timedelta(days=days + 1))
    identifier = book.enter(replace(early, declared={"work_order": Declared("WO-0")}))
    rng, span = np.random.default_rng(204), timedelta(days=days)
    with book.reading() as connection:
        like = dict(connection.execute(select(outcomes).where(outcomes.c.id == identifier)).mappings().one())
    for first in range(0, runs, PART):
        numbers = range(first, min(first + PART, runs))
        values = rng.normal(0.030, 0.003, (len(numbers), READINGS))
        with book.writing() as connection:
            some = [
                _run(like, number, values[at], end - span * ((runs - 1 - number) / runs), 100 * number // runs)
                for at, number in enumerate(numbers)
            ]
            _insert(connection, some, [row for at, run in enumerate(some) for row in _readings(run, values[at])])
    with book.writing() as connection:
        for station in STATIONS:
            digest = hashlib.sha256(station.encode()).hexdigest()
            link = {column.name: "" for column in links.columns}
            link |= {"station": station, "position": 0, "coverage": 1, "kind": "begun", "sha256": digest}
            _insert_into(connection, links, [link])
            _insert_into(connection, heads, [{"station": station, "length": 1, "sha256": digest}])


def _run(like: Row, number: int, values: Sequence[float], started: datetime, lot: int) -> Row:
    unit = number - 1 if number % 50 == 1 else number
    verdict = "fail" if max(values) > LIMIT else "pass"
    return {
        **like,
        "id": f"{started:%Y%m%d-%H%M%S}-{number:08x}",
        "started": microseconds(started),
        "ended": microseconds(started + timedelta(seconds=9)),
        "verdict": verdict,
        "part": "VC-204" if number % 3 else "VC-205",
        "serial": f"VC204-{unit:07}",
        "operator": ("R. Amsel", "M. Brandt", "R. Okafor")[number % 3],
        "station": STATIONS[number % len(STATIONS)],
        "batch": f"lot-{lot:03}",
        "simulated": 0,
        "document": like["document"]
        .replace('"VC204-0000"', json.dumps(f"VC204-{unit:07}"))
        .replace('"WO-0"', json.dumps(f"WO-{lot:06}")),
    }


def _readings(run: Row, values: Sequence[float]) -> Iterator[Row]:
    for k, value in enumerate(values):
        yield {
            "outcome": run["id"],
            "name": f"rail_noise.reading_{k:02}",
            "started": run["started"],
            "metric": "peak_to_peak",
            "value": float(value),
            "unit": "V",
            "uncertainty": 3e-4,
            "low": None,
            "high": LIMIT,
            "margin": LIMIT - float(value),
            "verdict": "fail" if value > LIMIT else "pass",
        }


def _insert(connection: Connection, runs: list[Row], values: list[Row]) -> None:
    _insert_into(connection, outcomes, runs)
    _insert_into(connection, readings, values)


def _insert_into(connection: Connection, table: Any, rows: list[Row]) -> None:
    insert_rows(connection, table, rows, count=len(rows))


def now() -> datetime:
    """The time, to whole seconds."""
    return datetime.now(UTC).replace(microsecond=0)
