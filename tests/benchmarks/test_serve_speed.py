"""Speed of the pages of a line: `python -m tests.benchmarks.test_serve_speed [postgresql]`.

A logbook with a million readings (50 000 runs of 20), 50 readers at once in a process of their own, and a station that
enters a run each second meanwhile. Printed are the times of 50, 95 and 99 of 100 pages, in ms.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import event

from tests.benchmarks.line_logbook import READINGS, STATIONS, fill, now
from tests.logbook.made_outcomes import outcome, result
from tests.logbook.postgresql import Server, programs
from tests.pages.line.conftest import PORT, client_of
from wavewright.logbook.book import Logbook
from wavewright.pages.line.admission import Admission

PAGES = (
    "day",
    "batch?batch-name=lot-050",
    "part?part=VC-204",
    "trend?of=rail_noise.reading_03",
    "stations",
    "stations?of=rail_noise.reading_03",
    "readings",
    "batches",
    "runs?verdict=fail",
    "selection?where=work_order%3DWO-000050",
)
RUNS, READERS, SECONDS = 50_000, 50, 30.0


@contextmanager
def served(where: str) -> Iterator[str]:
    """The address of `wavewright serve`, in a process of its own."""
    command = [sys.executable, "-m", "wavewright", "serve", "--logbook", where, "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            yield re.search(r"http\S+", process.stdout.readline()).group()
        finally:
            process.send_signal(signal.SIGINT)


@contextmanager
def station_at_work(book: Logbook) -> Iterator[list[str]]:
    """A run is entered each second, of which some fail."""
    stop, entered = threading.Event(), list[str]()

    def work() -> None:
        rng = np.random.default_rng(1)
        while not stop.wait(1.0):
            started, values = now(), rng.normal(0.030, 0.003, READINGS)
            plain = outcome(value=float(values.max()), serial=f"VC204-9{len(entered):06}")
            results = tuple(result(f"reading_{k:02}", float(value)) for k, value in enumerate(values))
            one = replace(plain.measurements[0], results=(*plain.measurements[0].results, *results))
            run = replace(plain, measurements=(one,), started=started, ended=started + timedelta(seconds=3))
            entered.append(book.enter(run, station=STATIONS[len(entered) % 6], batch="lot-now"))

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield entered
    finally:
        stop.set()
        thread.join()


def pages_read(
    address: str, *, pause: float, readers: int = READERS, seconds: float = SECONDS
) -> dict[str, list[float]]:
    """What the readers say: seconds that each page took, by kind of page."""
    command = [sys.executable, "-m", "tests.benchmarks.line_readers", address, str(readers), str(seconds), str(pause)]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    found: dict[str, list[float]] = json.loads(done.stdout)
    return found


@dataclass(frozen=True)
class Load:
    """What readers met who open a page, wait about `pause` s, and open the next one."""

    pause: float
    entered: int  # runs, meanwhile
    seconds: dict[str, list[float]]  # of each page, by its kind

    @property
    def every(self) -> list[float]:
        """Seconds of all pages."""
        return [one for some in self.seconds.values() for one in some]


def loads(where: str, *, runs: int = RUNS, readers: int = READERS, seconds: float = SECONDS) -> Iterator[Load]:
    """Fill a logbook and read its pages, with a pause and without one."""
    with Logbook(where) as book:
        begun = time.perf_counter()
        fill(book, runs, end=now() - timedelta(minutes=1))
        print(f"{runs} runs, {runs * READINGS} readings, filled in {time.perf_counter() - begun:.0f} s")
        begun = time.perf_counter()
        with served(where) as address:
            print(f"serves after {time.perf_counter() - begun:.1f} s")
            for pause in (2.0, 0.0):
                with station_at_work(book) as entered:
                    took = pages_read(address, pause=pause, readers=readers, seconds=seconds)
                yield Load(pause, len(entered), took)


def measure(where: str) -> None:
    """Print the times of the pages of a logbook."""
    for each in loads(where):
        how = f"a page every {each.pause:g} s" if each.pause else "no pause"
        load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
        print(f"{READERS} readers, {how}; {each.entered} runs entered meanwhile; load {load}")
        for kind, some in {"all": each.every, **each.seconds}.items():
            ends = " ".join(f"{1000 * one:7.1f}" for one in np.percentile(some, (50, 95, 99, 100)))
            print(f"  {kind:9} {len(some):6} pages, ms at 50, 95, 99, 100 of 100: {ends}")


def table(*, runs: int = RUNS, readers: int = READERS, seconds: float = SECONDS) -> Iterator[tuple[str, float, str]]:
    """What, figure, target, of a logbook that is a file."""
    what = f"`serve`: {readers} readers of {runs * READINGS:,} readings"
    with tempfile.TemporaryDirectory() as name:
        for each in loads(str(Path(name) / "line.sqlite"), runs=runs, readers=readers, seconds=seconds):
            if each.pause:
                shown = f"{what}, a page every {each.pause:g} s: 95 of 100 pages within, ms"
                yield shown, 1000 * float(np.percentile(each.every, 95)), "at most 300"
            else:
                yield f"{what}, without a pause: pages per second", len(each.every) / seconds, ""


@pytest.fixture(scope="module")
def tenth(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    """A tenth of it, or a hundredth where the whole is not asked for."""
    runs = RUNS // 10 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else RUNS // 50
    with Logbook(tmp_path_factory.mktemp("line") / "line.sqlite") as book:
        fill(book, runs, end=now())
        yield book


def test_what_is_read_does_not_grow_with_the_pages(tenth: Logbook) -> None:
    """Queries in place of times: a page that was made is not made again, and none reads the logbook whole."""
    with Logbook.existing(tenth.where, read_only=True) as reader:
        queries: list[str] = []
        engine = reader._database._engine

        def count(connection: object, cursor: object, query: str, *rest: object) -> None:
            if query != "BEGIN":
                queries.append(query)

        event.listen(engine, "before_cursor_execute", count)
        ticks = iter(range(10**6))
        with client_of(reader, Admission(PORT), clock=lambda: 2.0 * next(ticks)) as client:
            for page in PAGES:
                assert client.get(f"/{page}").status_code == 200
            # when all of them are asked for again, then each asks for the heads of the chains, and for nothing else
            queries.clear()
            etags = [client.get(f"/{page}").headers["etag"] for page in PAGES]
            assert len(queries) == len(PAGES)
            assert all("FROM heads" in query for query in queries)
            # when a run is entered, then what is read is that run, by its id
            queries.clear()
            new = replace(outcome(serial="VC204-9000001"), started=now(), ended=now())
            tenth.enter(new, station="line_1", batch="lot-050")
            again = [client.get(f"/{page}").headers["etag"] for page in PAGES]
            assert again[0] != etags[0]
            assert len([query for query in queries if "FROM heads" not in query]) <= 6
            assert not [query for query in queries if "heads" not in query and "WHERE" not in query]


def test_a_trend_has_every_reading_in_its_picture_and_no_more_points_than_can_be_seen(tenth: Logbook) -> None:
    with Logbook.existing(tenth.where, read_only=True) as reader, client_of(reader, Admission(PORT)) as client:
        small = len(client.get("/trend?of=rail_noise.reading_03&station=line_1").content)
        whole = len(client.get("/trend?of=rail_noise.reading_03").content)
    assert whole < 3 * small  # six times as many readings


def test_readers_are_served_and_no_database_server_is_needed() -> None:
    (paused, paused_ms, _), (free, rate, _) = table(runs=40, readers=5, seconds=0.5)
    assert paused == "`serve`: 5 readers of 800 readings, a page every 2 s: 95 of 100 pages within, ms"
    assert free.endswith("pages per second")
    assert paused_ms > 0
    assert rate > 0


def on_a_server() -> None:
    """The same on PostgreSQL."""
    folder = programs()
    if folder is None:
        raise SystemExit("initdb and pg_ctl are not installed")
    server = Server(folder)
    try:
        measure(server.new_database("line"))
    finally:
        server.remove()


if __name__ == "__main__":
    if "postgresql" in sys.argv[1:]:
        on_a_server()
    else:
        with tempfile.TemporaryDirectory() as name:
            measure(str(Path(name) / "line.sqlite"))
