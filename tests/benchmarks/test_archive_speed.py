"""What an archive costs: constants that are measured, and what they say of 1,000 stations and 100 million captures.

`python -m tests.benchmarks.test_archive_speed` prints both, `python -m tests.benchmarks --only archive` the same as
rows of the speed table. Processor time counts, since that depends least on what else the machine does; the runs are
those of `recipes/end_of_line.yaml` on the simulated bench, as they are recomputed in one process.
"""

from __future__ import annotations

import math
import os
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

import wavewright as ww
from tests.archive.letters import Letters
from tests.archive.made_archive import made_archive
from tests.archive.query_inside import QueryInside
from wavewright.archive import cluster as cluster_module
from wavewright.archive import workers as workers_module
from wavewright.archive.answer import ItemAnswer
from wavewright.archive.answer_file import AnswerFile
from wavewright.archive.cluster import Cluster
from wavewright.archive.collecting import collect
from wavewright.archive.query import Query, answer_of
from wavewright.archive.recomputed_runs import RecomputedRuns
from wavewright.archive.workers import Processes, Workers
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import run_ids

ROOT = Path(__file__).parents[2]
STATIONS, CAPTURES = 1_000, 100_000_000
RUNS_AN_HOUR, HOURS_A_DAY = 30, 16  # of each station: assumed, and said so in the guide
CORES = (16, 100, 1_000)
LOADED = 100  # runs after which a worker has loaded everything
BUSY = 0.5  # of its time that a scheduler may hand over: beyond that workers wait for it


@dataclass(frozen=True)
class Constants:
    """What was measured; times are of a processor, s, sizes bytes.

    Parameters
    ----------
    task : of the process that schedules and collects, per task that does nothing, on Dask.
    item : so too per answer in a task with many.
    run : of a worker to recompute a run; shots, samples : captures of it, and samples of all of their channels.
    raw, stored : its codes before and after compression; row : of it in the logbook; kept : its answer in a logbook.
    read : to fetch and check a million samples of stored codes.
    """

    task: float
    item: float
    run: float
    shots: int
    samples: int
    raw: int
    stored: int
    row: float
    kept: float
    read: float

    @property
    def million(self) -> float:
        """Processor time for a million samples that are recomputed, s."""
        return self.run / self.samples * 1e6


def per_task(tasks: int) -> tuple[float, float]:
    """Processor time of scheduler and collector per task that does nothing, and per answer where tasks are large, s."""
    words = [f"word{number:05}" for number in range(tasks)]
    alone = _collecting(words, most=1)
    together = _collecting([f"{word}-{number}" for word in words for number in range(8)], most=256)
    return alone / tasks, together / (8 * tasks)


def _collecting(items: list[str], *, most: int) -> float:
    """Processor time of this process for answers that cost nothing, after a tenth of them has come, s."""
    before = workers_module.MOST
    workers_module.MOST = most
    try:
        with Cluster("local:1").answers(Letters(), iter(items)) as answers, AnswerFile(None, "a" * 64) as kept:
            for one in islice(answers, len(items) // 10):
                kept.take(one)
            begin = time.process_time()
            for one in answers:
                kept.take(one)
            return (time.process_time() - begin) / 0.9
    finally:
        workers_module.MOST = before


def constants(*, runs: int = 40, tasks: int = 1000) -> Constants:
    """Measure all of them."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        outcome = ww.run(
            ROOT / "recipes/end_of_line.yaml", bench=ROOT / "sim/bench.yaml", out=folder / "out",
            serial="VC204-0017", seed=204,
        )  # fmt: skip
        shots = [shot for each in outcome.captures.values() for shot in each]
        samples = sum(len(wave) for shot in shots for wave in shot.waveforms.values())
        raw = sum(wave.codes.nbytes for shot in shots for wave in shot.waveforms.values())
        where = folder / "line.sqlite"
        with Logbook(where) as book:
            first = book.enter(outcome)
            book.codes.send_waiting()
            stored = sum(book.codes.path(content).stat().st_size for content in book.codes.contents())
            before = where.stat().st_size
            book.enter_all(
                replace(outcome, serial=f"VC204-{number:04}", started=outcome.started + timedelta(minutes=number))
                for number in range(1, runs + 1)
            )
        row = (where.stat().st_size - before) / runs
        query = RecomputedRuns(str(where))
        answer_of(query, first)  # the recipe is parsed, everything is loaded
        begin = time.process_time()
        answers = [answer_of(query, first) for _ in range(3)]
        run = (time.process_time() - begin) / len(answers)
        query.close()
        with Logbook(where) as book:
            begin = time.process_time()
            found = book.outcome(first).captures
            _ = [wave.codes.sum() for each in found.values() for shot in each for wave in shot.waveforms.values()]
            read = (time.process_time() - begin) / samples * 1e6
    task, item = per_task(tasks)
    kept = sum(len(one.text.encode()) for one in answers) / len(answers)
    return Constants(task, item, run, len(shots), samples, raw, stored, row, kept, read)


def needs(of: Constants, *, captures: int = CAPTURES, stations: int = STATIONS) -> Mapping[str, float]:
    """What an archive of that size needs, in the units that the names say; nothing but arithmetic."""
    runs = captures / of.shots
    core_hours = runs * of.run / 3600
    busiest = BUSY / of.task  # portions a second
    found = {
        "runs, million": runs / 1e6,
        "days in which the stations take them": runs / (stations * RUNS_AN_HOUR * HOURS_A_DAY),
        "codes before compression, TB": runs * of.raw / 1e12,
        "codes as stored, TB": runs * of.stored / 1e12,
        "database, GB": runs * of.row / 1e9,
        "results of one recompute in a database, GB": runs * of.kept / 1e9,
        "runs entered per second, all stations": stations * RUNS_AN_HOUR / 3600,
        "codes that come in, MB/s": stations * RUNS_AN_HOUR / 3600 * of.stored / 1e6,
        "core hours to recompute all": core_hours,
    }
    for cores in CORES:
        seconds = max(core_hours * 3600 / cores, runs * of.item)
        found[f"hours on {cores:,} cores"] = seconds / 3600
        found[f"codes read meanwhile, MB/s, {cores:,} cores"] = runs * of.stored / seconds / 1e6
        found[f"runs in one task at least, {cores:,} cores"] = math.ceil(max(1.0, cores / busiest / of.run))
    found["cores from which one run in a task is too little"] = busiest * of.run
    found["cores from which one collecting process is too slow"] = of.run / of.item
    return found


def shares(of: Constants) -> Iterator[tuple[str, float]]:
    """The constants as rows."""
    yield "processor time of the scheduler per task that does nothing, ms", 1e3 * of.task
    yield "processor time to collect one answer of a large task, ms", 1e3 * of.item
    yield "processor time to recompute a run of `end_of_line`, ms", 1e3 * of.run
    yield "captures in such a run", float(of.shots)
    yield "million samples in such a run", of.samples / 1e6
    yield "processor time to recompute a million samples, ms", 1e3 * of.million
    yield "of it to fetch, unpack and check the codes, ms", 1e3 * of.read
    yield "codes of such a run before compression, MB", of.raw / 1e6
    yield "the same as stored, MB", of.stored / 1e6
    yield "such a run in the logbook without its codes, kB", of.row / 1e3
    yield "result of its recompute in a logbook, kB", of.kept / 1e3


def rates(count: int = 3000) -> Iterator[tuple[str, float]]:
    """How much two workers do over one, if their cores are free: by processor time, of small runs (1,000 samples)."""
    with tempfile.TemporaryDirectory() as name:
        where = made_archive(Path(name) / "line.sqlite", count)
        with Logbook(where) as book:
            ids = run_ids(book)
        query = RecomputedRuns(str(where))
        kinds: Mapping[str, Callable[[int], Workers]] = {
            "`--jobs`": Processes,
            "`--cluster local`": lambda number: Cluster(f"local:{number}"),
        }
        for words, make in kinds.items():
            one, two = _cost(query, ids, make(1)), _cost(query, ids, make(2))
            # two cores are shared by two workers and by the process that collects; one worker has a core for itself
            yield f"{words}: two workers over one, on two cores, by processor time", 2 * max(one) / sum(two)
            yield f"{words}: share of the process that collects, of a worker's time", two[1] / two[0]


class Clocked(QueryInside):
    """The query `of`, whose documents become the number of the process and its processor time until then, s."""

    def answer(self, item: str) -> ItemAnswer:
        return replace(self.of.answer(item), document=[os.getpid(), time.process_time()])


def _cost(query: Query, ids: list[str], workers: Workers) -> tuple[float, float]:
    """Processor time per run, s, of the workers, each from its 100th run on, and of this process, after a third."""
    begun: list[tuple[int, float]] = []

    def said(done: int, of: int) -> None:
        if (done >= of // 3 and not begun) or done == of:
            begun.append((done, time.process_time()))

    of_worker: dict[int, list[float]] = defaultdict(list)
    with AnswerFile(None, "a" * 64) as answers:
        collect(Clocked(query), ids, workers, answers, said=said)
        for answer in answers.about(ids):
            if not answer.fault:
                of_worker[answer.document[0]].append(answer.document[1])
    query.close()
    spans = [sorted(times)[LOADED:] for times in of_worker.values()]
    spent = sum(times[-1] - times[0] for times in spans if times)
    (first, own), (last, own_then) = begun[0], begun[-1]
    return spent / sum(max(0, len(times) - 1) for times in spans), (own_then - own) / (last - first)


def table() -> Iterator[tuple[str, float]]:
    """Every row: what was measured, then what follows from it."""
    found = constants()
    for what, figure in shares(found):
        yield f"archive: {what}", figure
    for what, figure in rates():
        yield f"archive: {what}", figure
    for what, figure in needs(found).items():
        yield f"archive of {STATIONS:,} stations and {CAPTURES // 1_000_000} million captures: {what}", figure


SIMPLE: Any = Constants(
    task=0.004, item=0.0001, run=2.0, shots=20, samples=4_000_000, raw=4_000_000, stored=1_000_000, row=20_000.0,
    kept=5_000.0, read=0.01,
)  # fmt: skip


def test_the_model_is_the_arithmetic_that_one_does_by_hand() -> None:
    """100 million captures in runs of 20 are 5 million runs of 2 s: 2,778 core hours, 5 TB, 100 GB."""
    found = needs(SIMPLE)
    assert found["runs, million"] == 5
    assert found["core hours to recompute all"] == pytest.approx(5e6 * 2 / 3600)
    assert found["codes as stored, TB"] == pytest.approx(5)
    assert found["database, GB"] == pytest.approx(100)
    assert found["hours on 100 cores"] == pytest.approx(5e6 * 2 / 3600 / 100)
    assert found["codes read meanwhile, MB/s, 100 cores"] == pytest.approx(50)  # 100 cores, 0.5 MB/s each
    # 125 portions a second at half of the scheduler's time: 250 runs of 2 s in work
    assert found["cores from which one run in a task is too little"] == pytest.approx(250)
    assert found["runs in one task at least, 1,000 cores"] == 4
    assert found["runs in one task at least, 100 cores"] == 1
    # short runs: the process that collects is the limit
    assert needs(replace(SIMPLE, run=0.002))["hours on 1,000 cores"] == pytest.approx(5e6 * 0.0001 / 3600)


def test_workers_hand_over_as_much_as_the_model_asks_for() -> None:
    for cores in CORES:
        worth = max(workers_module.WORTH, cluster_module.HANDED * cores)
        assert cores / worth * SIMPLE.task <= BUSY


def main() -> None:
    """Print the table."""
    print(f"load {os.getloadavg()[0]:.1f}")
    for what, figure in table():
        print(f"{figure:12,.3f}  {what}")


if __name__ == "__main__":
    main()
