"""Speed of the logbook, of recomputing and of the report: `python -m tests.benchmarks.test_logbook_speed`.

Absolute figures are asked for here, so the table gives seconds beside what the same machine does without us: plain
`sqlite3` inserts for the writing, the bare metrics for recomputing.
"""

from __future__ import annotations

import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from tests.logbook.made_outcomes import START, outcome, result
from tests.logbook.postgresql import Server, programs
from tests.reporting.reported import made_capture, reported
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import trend
from wavewright.logbook.recompute import recompute
from wavewright.logbook.tables import metadata
from wavewright.recipe.load import parse_recipe
from wavewright.reporting.html import html
from wavewright.running.evaluation import evaluate
from wavewright.running.outcome import Outcome

if TYPE_CHECKING:
    from psycopg import Connection

BATCH, READINGS = 10_000, 20


def runs(count: int) -> list[Outcome]:
    """Runs with 20 readings each, a second apart."""
    plain = outcome()
    rng = np.random.default_rng(1)
    values = rng.normal(0.024, 0.001, (count, READINGS))
    made = []
    for number in range(count):
        results = tuple(result(f"reading_{k}", float(values[number, k])) for k in range(READINGS))
        one = replace(plain.measurements[0], results=results)
        started = START + timedelta(seconds=number)
        made.append(replace(plain, serial=f"VC204-{number:05}", started=started, measurements=(one,)))
    return made


def seconds(work: Callable[[], object], clock: Callable[[], float] = time.perf_counter) -> float:
    before = clock()
    work()
    return clock() - before


def write_batch(folder: Path, count: int = BATCH, turns: int = 3) -> tuple[float, float, float]:
    """Outcomes a second in one batch, and its time over that of plain inserts.

    Returns
    -------
    The rate; the time over that of plain inserts of the same rows, committed, into tables with the same keys and
    indexes; and over that of the readings alone, seven columns of them into a table without any, not committed.
    """
    made = runs(count)
    ours, theirs, least = [], [], []
    few = [(str(n), f"r{k}", n, "peak_to_peak", 0.024, "V", 0.001) for n in range(count) for k in range(READINGS)]
    for turn in range(turns):
        with Logbook(folder / f"batch_{turn}.sqlite") as book:
            ours.append(seconds(lambda: book.enter_all(made)))
            rows = rows_of(book)
        Logbook(folder / f"same_{turn}.sqlite").close()
        with closing(sqlite3.connect(folder / f"same_{turn}.sqlite")) as plain:
            theirs.append(seconds(partial(insert_same, plain, rows)))
        with closing(sqlite3.connect(folder / f"few_{turn}.sqlite")) as plain:
            plain.execute("create table readings (outcome, name, started, metric, value, unit, uncertainty)")
            least.append(seconds(lambda: plain.executemany("insert into readings values (?, ?, ?, ?, ?, ?, ?)", few)))
    return count / min(ours), min(ours) / min(theirs), min(ours) / min(least)


def rows_of(book: Logbook) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table; no run of these has captures."""
    with book.reading() as connection:
        return {
            table.name: [tuple(row) for row in connection.execute(table.select())]
            for table in metadata.sorted_tables
            if table.name not in ("layout_version", "captures")
        }


def insert_same(connection: sqlite3.Connection, rows: dict[str, list[tuple[Any, ...]]]) -> None:
    """What a script would do that has the rows already."""
    for name, some in rows.items():
        if some:
            connection.executemany(f"insert into {name} values ({', '.join('?' * len(some[0]))})", some)
    connection.commit()


def insert_plainly(connection: Connection[Any], rows: dict[str, list[tuple[Any, ...]]]) -> None:
    """What a script would do that has the rows already."""
    for name, some in rows.items():
        if not some:
            continue
        places = ", ".join(["%s"] * len(some[0]))
        connection.cursor().executemany(f"insert into {name} values ({places})".encode(), some)
    connection.commit()


def write_to_server(server: Server, count: int = 2000, turns: int = 5) -> tuple[float, float]:
    """Outcomes a second into PostgreSQL, and that rate over the one of a plain batched insert of the same rows."""
    import psycopg

    made = runs(count)
    ours, theirs = [], []
    for turn in range(turns):
        url, plain_url = (server.new_database(f"{kind}_{count}_{turn}") for kind in ("ours", "plain"))
        with Logbook(url) as book:
            ours.append(seconds(lambda: book.enter_all(made)))
            rows = rows_of(book)
        Logbook(plain_url).close()
        with psycopg.connect(plain_url) as plain:
            theirs.append(seconds(partial(insert_plainly, plain, rows)))
    return count / min(ours), min(theirs) / min(ours)


def trend_of_a_million(folder: Path) -> float:
    """Seconds for a trend in a logbook of a million readings that all have that name."""
    with Logbook(folder / "million.sqlite") as book:
        book.enter(outcome())
        with sqlite3.connect(book.where) as plain:
            columns = (
                "started, ended, verdict, title, recipe, recipe_sha256, part, serial, operator, station, batch,"
                " document"
            )
            ids = ((f"run{n}", n * 1_000_000) for n in range(1_000_000))
            plain.executemany(
                f"insert into outcomes (id, {columns}) select ?1, ?2, {columns.partition(', ')[2]} from"
                " (select * from outcomes limit 1)",
                ids,
            )
            rows = (
                (f"run{n}", "rail.ripple", n * 1_000_000, "m", 0.02 + n % 97 * 1e-5, "V", "pass")
                for n in range(1_000_000)
            )
            plain.executemany(
                "insert into readings (outcome, name, started, metric, value, unit, verdict) values (?,?,?,?,?,?,?)",
                rows,
            )
        return min(seconds(lambda: trend(book, "rail.ripple")) for _ in range(3))


def recompute_against_bare(folder: Path) -> float:
    """Time to recompute a stored run over the time of the bare metrics and of reading the file."""
    plain = reported(samples=1_000_000)
    recipe = parse_recipe(plain.recipe.text, plain.recipe.file)
    with Logbook(folder / "recompute.sqlite") as book:
        identifier = book.enter(plain)

        def bare() -> None:
            kept = book.outcome(identifier)
            evaluate(recipe.measurements[0], list(kept.captures["rail_noise"]))

        def ours() -> None:
            assert recompute(book.outcome(identifier)).is_same

        times = [(seconds(ours), seconds(bare)) for _ in range(5)]
    return min(one for one, _ in times) / min(other for _, other in times)


def report_of_ten() -> float:
    """Seconds of processor for the report of a run of ten measurements with a shot of 100 000 samples each."""
    plain = reported()
    recipe = plain.recipe.text
    head, _, body = recipe.partition("measurements:\n")
    names = [f"rail_noise_{number}" for number in range(10)]
    text = head + "measurements:\n" + "".join(body.replace("rail_noise", name) for name in names)
    first = plain.measurements[0]
    captures = {name: [made_capture(0, samples=100_000)] for name in names}
    ten = replace(
        plain,
        recipe=replace(plain.recipe, text=text),
        measurements=tuple(replace(first, name=name) for name in names),
        captures=captures,
    )
    html(ten)  # imports and templates once
    return min(seconds(lambda: html(ten), time.process_time) for _ in range(3))


def on_a_server() -> list[tuple[str, float, str]]:
    """The same for a server, where its programs are installed."""
    if (folder := programs()) is None:
        return []
    server = Server(folder)
    try:
        rate, share = write_to_server(server)
    finally:
        server.remove()
    return [
        ("outcomes entered a second on PostgreSQL, 2,000 with 20 readings", rate, ""),
        ("that rate over the one of a plain batched insert of the rows", share, "at least 0.8"),
    ]


def measure_ratios() -> list[tuple[str, float, str]]:
    """Name, figure, and what is wanted."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rate, same, least = write_batch(folder)
        return [
            *on_a_server(),
            ("outcomes written a second, batch of 10 000 with 20 readings", rate, "at least 500"),
            ("the same, time over plain sqlite3 inserts of the same rows", same, "at most 8"),
            ("the same, over those of the readings alone, without keys or commit", least, ""),
            ("trend over a million readings, s", trend_of_a_million(folder), "well under 1"),
            ("recompute over bare metrics and reading the file", recompute_against_bare(folder), "at most 1.2"),
            ("report of ten measurements, s of processor", report_of_ten(), "under 2"),
        ]


def test_a_batch_is_written_whole(tmp_path: Path) -> None:
    rate, same, least = write_batch(tmp_path, 50, 1)
    assert rate > 0
    assert min(same, least) > 0


@pytest.fixture
def server() -> Iterator[Server]:
    pytest.importorskip("psycopg")
    folder = programs()
    if folder is None:
        pytest.skip("NOT TESTED with PostgreSQL: initdb and pg_ctl are not installed")
    made = Server(folder)
    yield made
    made.remove()


def test_a_server_gets_the_same_rows_either_way(server: Server) -> None:
    rate, share = write_to_server(server, 50, 1)
    assert rate > 0
    assert share > 0


if __name__ == "__main__":
    for what, figure, wanted in measure_ratios():
        print(f"{what:65} {figure:10.3g}   {wanted}")
