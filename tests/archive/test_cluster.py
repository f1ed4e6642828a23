"""Workers of a cluster give bit for bit the serial answers to every kind of query, also while they are killed.

120 runs and 12 files, and 20,000 and 2,000 with WAVEWRIGHT_PROOF=full or
`python -m tests.archive.test_cluster`, which prints the figures.
"""

from __future__ import annotations

import logging
import os
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from importlib.metadata import PackageNotFoundError
from pathlib import Path
from typing import Any

import distributed
import psutil
import pytest

from tests.archive.letters import Letters
from tests.archive.made_archive import made_archive
from tests.archive.said_files import BAUD, Several, made_files
from wavewright.archive import cluster as cluster_module
from wavewright.archive import own_workers
from wavewright.archive.answer import WrittenAnswer
from wavewright.archive.answer_file import AnswerFile
from wavewright.archive.cluster import Cluster
from wavewright.archive.collecting import collect
from wavewright.archive.decoded_files import DecodedFiles
from wavewright.archive.density_files import DensityFiles
from wavewright.archive.measured_files import MeasuredFiles
from wavewright.archive.query import Query
from wavewright.archive.recognised_files import RecognisedFiles
from wavewright.archive.recomputed_runs import RecomputedRuns
from wavewright.archive.versions import versions
from wavewright.archive.workers import ThisProcess
from wavewright.errors import Misuse, StorageFault, WavewrightError
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import run_ids

FULL = os.environ.get("WAVEWRIGHT_PROOF") == "full"
RUNS, FILES, KILLS = (20_000, 2_000, 20) if FULL else (120, 12, 2)


def workers_of_ours() -> list[psutil.Process]:
    """The processes that this one has started and that compute, oldest first."""
    found = []
    for child in psutil.Process().children(recursive=True):
        try:
            if "spawn_main" in " ".join(child.cmdline()):
                found.append(child)
        except psutil.Error:  # it has ended since
            continue
    return sorted(found, key=psutil.Process.create_time)


class Killer:
    """Kills a worker at each of some numbers of answers; and looks at how much memory the workers take."""

    def __init__(self, runs: int, kills: int) -> None:
        self._at = {runs * (number + 1) // (kills + 1) for number in range(kills)}
        self.killed, self.largest = 0, 0

    def said(self, done: int, of: int) -> None:
        if done in self._at and (there := workers_of_ours()):
            self.largest = max(self.largest, *(each.memory_info().rss for each in there))
            os.kill(there[self.killed % len(there)].pid, signal.SIGKILL)
            self.killed += 1


def asked(folder: Path, runs: int, files: int) -> tuple[Several, list[str]]:
    """Every kind of query, and what it is about, in turn: runs of a logbook, and a pile of files."""
    logbook = made_archive(folder / "line.sqlite", runs)
    with Logbook(logbook) as book:
        ids = run_ids(book)
    paths = [str(path) for path in made_files(folder / "shots", files)]
    queries: dict[str, Query] = {
        "recompute": RecomputedRuns(str(logbook)),
        "measure": MeasuredFiles(("rise_time", "high_level")),
        "decode": DecodedFiles("uart", (("tx", "tx"),), (("baud", str(BAUD)),)),
        "look": RecognisedFiles(),
        "density": DensityFiles.of_first(paths, channel=1, interval=None, grid=(200, 64)),
    }
    about = {name: ids if name == "recompute" else paths for name in queries}
    longest = max(map(len, about.values()))
    items = [f"{name} {some[at]}" for at in range(longest) for name, some in about.items() if at < len(some)]
    return Several(queries), items


def compared(folder: Path, runs: int, files: int, kills: int, name: str) -> tuple[Killer, dict[str, float]]:
    """The answers of a cluster beside those of this process, with workers killed; and seconds by who answered."""
    query, items = asked(folder, runs, files)
    killer, seconds = Killer(len(items), kills), dict[str, float]()
    with AnswerFile(None, "a" * 64) as serial, AnswerFile(None, "a" * 64) as ours:
        before = time.perf_counter()
        collect(query, items, ThisProcess(), serial)
        seconds["serial"] = time.perf_counter() - before
        query.close()
        before = time.perf_counter()
        collect(query, items, Cluster(name), ours, said=killer.said)
        seconds[name] = time.perf_counter() - before
        count = 0
        for one, other in zip(serial.about(items), ours.about(items), strict=True):
            assert one.as_text() == other.as_text()
            count += 1
        assert count == len(items) == runs + 4 * files
    return killer, seconds


@pytest.mark.slow
def test_killed_workers_change_no_bit_of_an_answer(tmp_path: Path) -> None:
    killer, _ = compared(tmp_path, RUNS, FILES, KILLS, "local:2")
    assert killer.killed == KILLS
    assert not workers_of_ours()


def kill(worker: psutil.Process) -> None:
    worker.kill()
    worker.wait(timeout=30)


def test_a_worker_that_dask_gives_up_is_started_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(cluster_module._CONFIGURATION, "distributed.deploy.lost-worker-timeout", "10 ms")
    monkeypatch.setattr(cluster_module, "WITHOUT_WORKERS", 20.0)
    items = [f"word{number:04}" for number in range(600)]
    found = []
    with Cluster("local:1").answers(Letters(), iter(items)) as answers:
        for one in answers:
            found.append(one.item)
            if len(found) == 20:
                for worker in workers_of_ours():
                    kill(worker)
    assert sorted(found) == items


def test_an_answer_that_is_lost_with_its_worker_is_computed_again(monkeypatch: pytest.MonkeyPatch) -> None:
    async def after_a_kill(client: distributed.Client, *given: Any, **options: Any) -> Any:
        if not killed:
            for worker in workers_of_ours():
                kill(worker)
                killed.append(worker.pid)
        return await gather(client, *given, **options)

    killed: list[int] = []
    gather = distributed.Client._gather
    monkeypatch.setattr(distributed.Client, "_gather", after_a_kill)
    monkeypatch.setattr(cluster_module, "CHECKED", 0.2, raising=False)
    assert [one.item for one in about(["word0", "word1"], "local:1")] == ["word0", "word1"]
    assert killed


def test_workers_that_end_before_they_answer_are_not_started_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(own_workers, "STARTS", 0)
    monkeypatch.setattr(cluster_module, "ASKED", 0.02)  # far less than a start takes
    with Cluster("local:1").answers(Letters(), iter([f"word{number:04}" for number in range(600)])) as answers:
        next(answers)
        for worker in workers_of_ours():
            kill(worker)
        with pytest.raises(WavewrightError, match=r"(?s)1 workers were started .*before it answered.*memory"):
            list(answers)
    assert not workers_of_ours()


@pytest.fixture(scope="module")
def scheduler() -> Iterator[distributed.LocalCluster]:
    """A scheduler and a worker as a user would run them; here in threads of this process."""
    with distributed.LocalCluster(
        n_workers=1,
        processes=False,
        threads_per_worker=2,
        protocol="tcp",
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
    ) as made:
        yield made


def about(items: list[str], name: str, query: Any = None) -> list[WrittenAnswer]:
    with Cluster(name).answers(query or Letters(), iter(items)) as answers:
        return sorted(answers, key=lambda one: one.item)


def test_a_scheduler_of_the_user_is_joined_and_left(scheduler: distributed.LocalCluster) -> None:
    items = [f"word{number:03}" for number in range(300)] + ["bad one"]
    found = about(items, scheduler.scheduler_address)
    assert [one.item for one in found] == sorted(items)
    assert [one.item for one in found if one.fault] == ["bad one"]
    assert not scheduler.scheduler.clients.keys() - {"fire-and-forget"}


def test_every_kind_of_query_is_answered_by_a_scheduler_of_the_user(
    scheduler: distributed.LocalCluster, tmp_path: Path
) -> None:
    query, items = asked(tmp_path, 3, 3)
    with ThisProcess().answers(query, iter(items)) as answers:
        serial = sorted(answers, key=lambda one: one.item)
    query.close()
    assert about(items, scheduler.scheduler_address, query) == serial
    assert not [one.fault for one in serial if one.fault]


def test_a_worker_of_another_version_is_named(
    scheduler: distributed.LocalCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    def others() -> Mapping[str, str]:
        return {**actual, "wavewright": "0.0.9", "numpy": "1.0"}

    actual = dict(versions())
    monkeypatch.setattr(cluster_module, "versions", others)
    with pytest.raises(WavewrightError, match=r"(?s)tcp://.*wavewright 0\.0\.9 and not .*, numpy 1\.0 and not .*same"):
        about(["word"], scheduler.scheduler_address)


def test_a_worker_without_the_package_is_named(
    scheduler: distributed.LocalCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing(name: str) -> str:
        raise PackageNotFoundError(name)

    monkeypatch.setattr(cluster_module, "version", missing)
    with pytest.raises(WavewrightError, match=r"(?s)tcp://.*not installed on a worker.*pip install 'wavewright"):
        about(["word"], scheduler.scheduler_address)


def test_a_worker_that_does_not_reach_the_logbook_is_named_before_anything_is_computed(
    scheduler: distributed.LocalCluster, tmp_path: Path
) -> None:
    query = RecomputedRuns(str(tmp_path / "elsewhere.sqlite"))
    with pytest.raises(StorageFault, match=r"(?s)tcp://.*does not reach what it needs: .*there is no logbook here"):
        about(["run"], scheduler.scheduler_address, query)


def test_a_scheduler_that_goes_away_is_said_and_what_was_answered_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster_module, "CONNECTING", 1.0)
    items = [f"word{number:03}" for number in range(3000)]
    with (
        distributed.LocalCluster(
            n_workers=1,
            processes=False,
            threads_per_worker=1,
            protocol="tcp",
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
        ) as made,
        AnswerFile(tmp_path / "words.answers", "a" * 64) as answers,
    ):

        def stop(done: int, of: int) -> None:
            if done == 40:
                made.close()

        with pytest.raises(WavewrightError, match="the scheduler is gone"):
            collect(Letters(), items, Cluster(made.scheduler_address), answers, said=stop)
    with AnswerFile(tmp_path / "words.answers", "a" * 64) as answers:
        assert len(answers.stamps()) >= 40


def test_a_scheduler_that_is_not_there_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster_module, "CONNECTING", 0.5)
    with pytest.raises(WavewrightError, match=r"(?s)tcp://127\.0\.0\.1:9: no scheduler answers.*dask scheduler"):
        about(["word"], "tcp://127.0.0.1:9")


@pytest.mark.parametrize("name", ["", "remote", "local:0", "http://server:8786", "tcp://server"])
def test_what_is_no_cluster_is_refused(name: str) -> None:
    with pytest.raises(Misuse, match=r"`local:N`"):
        Cluster(name)


def test_a_missing_library_is_named_with_what_installs_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(Misuse, match=r"pip install 'wavewright\[cluster\]'"):
        Cluster("local")


@pytest.mark.parametrize("name", ["distributed", "distributed.client", "tornado", "tornado.application"])
def test_nothing_is_logged_beside_what_is_said_in_our_words(name: str) -> None:
    logger = logging.getLogger(name)
    before = logger.level
    try:
        logger.setLevel(logging.ERROR)  # as Dask sets the levels of some of its loggers, and of Tornado's
        own_workers.quieten()
        assert not logger.isEnabledFor(logging.CRITICAL)
    finally:
        logger.setLevel(before)


def main() -> None:
    """The whole proof, with its figures."""
    with tempfile.TemporaryDirectory() as name:
        killer, seconds = compared(Path(name), 20_000, 2_000, 20, "local:2")
    print(f"20,000 runs, 2,000 files four times: bit for bit the serial answers, {killer.killed} workers killed")
    print(f"largest worker {killer.largest / 1e6:.0f} MB; seconds {seconds}")


if __name__ == "__main__":
    main()
