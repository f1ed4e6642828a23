"""What a cluster's work may meet: a store or a database that goes away, a full disk, Ctrl-C; what is found is kept."""

from __future__ import annotations

import importlib.util
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import distributed
import psutil
import pytest

from tests.archive.letters import Letters
from tests.archive.made_archive import WITHOUT, run
from tests.breaking_off.test_full_disk import fill
from tests.logbook.made_outcomes import capture
from tests.logbook.object_server import ObjectServer
from tests.logbook.postgresql import Server
from wavewright.archive import collecting
from wavewright.archive.answer_file import SUFFIX, AnswerFile
from wavewright.archive.cluster import Cluster
from wavewright.archive.collecting import collect
from wavewright.archive.kept_answers import open_answers
from wavewright.archive.query import answer_of
from wavewright.archive.recomputed_runs import RecomputedRuns
from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.logbook.queries import run_ids

RUNS, FILES = 30, 400
FULL = os.environ.get("WAVEWRIGHT_PROOF") == "full"
Command = Callable[..., object]


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """The address of a scheduler with a worker, here in threads of this process."""
    with distributed.LocalCluster(
        n_workers=1, processes=False, threads_per_worker=1, protocol="tcp", host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
    ) as made:  # fmt: skip
        yield made.scheduler_address


@pytest.fixture
def objects(monkeypatch: pytest.MonkeyPatch) -> Iterator[ObjectServer]:
    if importlib.util.find_spec("moto") is None or importlib.util.find_spec("s3fs") is None:
        pytest.skip("NOT TESTED with an S3 server: moto and s3fs are not installed")
    made = ObjectServer()
    for name, value in made.environment.items():
        monkeypatch.setenv(name, value)
    yield made
    made.stop()


def at(number: int, do: Callable[[], object]) -> Callable[[int, int], None]:
    """Do something once, when so many are answered."""
    done: list[object] = []

    def said(count: int, of: int) -> None:
        if count == number and not done:
            done.append(do())

    return said


def test_a_database_and_a_store_that_go_away_are_said_and_what_was_found_is_in_the_database(
    scheduler: str,
    objects: ObjectServer,
    server: Server,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(collecting, "MOST_ALIKE", 1)
    url = server.new_database("archive")
    with Logbook(url, captures=objects.url, codes=tmp_path / "station") as book:
        book.enter_all(run(number) for number in range(RUNS))
        book.codes.send_waiting()
        ids = run_ids(book)
    query = RecomputedRuns(url, objects.url)
    serial = {item: answer_of(query, item).text for item in ids}
    query.close()
    workers = Cluster(scheduler)
    try:
        with open_answers("logbook", query, logbook=url) as answers, pytest.raises(StorageFault):
            collect(query, ids, workers, answers, said=at(10, server.stop))
    finally:
        server.start()
    with open_answers("logbook", query, logbook=url) as answers:
        collect(query, ids, workers, answers)
        assert {one.item: one.as_text() for one in answers.about(ids)} == serial
        assert len(answers.stamps()) == RUNS - RUNS // WITHOUT
    query.close()
    shutil.rmtree(copies_of(url, objects.url))  # else nobody would ask the store again
    afresh = open_answers("logbook", query, logbook=url, afresh=True)
    with afresh as answers, pytest.raises(StorageFault, match=r"(?s)cannot be used.*2 answers in a row say so"):
        collect(query, ids, workers, answers, said=at(12, objects.stop))
    with open_answers("logbook", query, logbook=url) as answers:
        assert 8 <= len(answers.stamps()) < RUNS - RUNS // WITHOUT
    query.close()


def copies_of(url: str, store: str) -> str:
    """The folder into which this computer fetches codes."""
    with Logbook.existing(url, captures=store) as book:
        return str(book.codes.folder)


@pytest.mark.posix("mounts a small disk")
@pytest.mark.parametrize("table", ["out.csv", "out.sqlite"])
def test_a_full_disk_is_said_and_what_was_found_before_is_kept(
    scheduler: str,
    disk: Path,
    tmp_path: Path,
    table: str,
) -> None:
    items = [f"word{number:04}" + "x" * 500 for number in range(200)]
    query, where = Letters(), str(disk / table)
    with open_answers(where, query) as answers, pytest.raises(StorageFault, match=r"(?s)(full|space|room)"):
        collect(query, items, Cluster(scheduler), answers, said=at(60, lambda: fill(disk, leave=1)))
    (disk / "ballast").unlink()
    with open_answers(where, query) as answers:
        kept = len(answers.stamps())
        assert kept >= (60 if table == "out.csv" else 0)
        collect(query, items, Cluster(scheduler), answers)
        assert [one.document for one in answers.about(items)] == [{"letters": 508}] * 200


@pytest.mark.posix("signals between processes")
@pytest.mark.parametrize("presses", [1, 2] if FULL else [2])
def test_what_is_found_before_ctrl_c_is_kept_and_the_workers_are_gone(tmp_path: Path, presses: int) -> None:
    shots, table = tmp_path / "shots", tmp_path / "out.csv"
    shots.mkdir()
    for number in range(FILES):
        write_waveforms(shots / f"shot{number:03}.npz", capture(number % 5, samples=100).waveforms)
    words = [sys.executable, "-c", INTERRUPTED, "measure", str(shots), "-m", "rms", "--cluster", "local:1"]
    pipes = {"stderr": subprocess.PIPE, "stdout": subprocess.PIPE}
    process = subprocess.Popen([*words, "--table", str(table)], text=True, **pipes)
    assert process.stderr is not None
    assert process.stderr.readline() == "answered 30\n"
    children = psutil.Process(process.pid).children(recursive=True)
    process.send_signal(signal.SIGINT)
    process.send_signal(signal.SIGCONT)
    for _ in range(1, presses):
        process.send_signal(signal.SIGINT)
    out, told = process.communicate(timeout=60)
    assert process.returncode == 3
    assert "Traceback" not in told + out
    assert "interrupted by SIGINT" in told
    _, alive = psutil.wait_procs(children, timeout=30)
    assert not alive
    with AnswerFile(Path(f"{table}{SUFFIX}"), kept_query(Path(f"{table}{SUFFIX}"))) as answers:
        assert 30 <= len(answers.stamps()) < FILES
    assert not table.exists()


def kept_query(path: Path) -> str:
    """The query that a file of answers is about, out of its first line."""
    return path.read_text().splitlines()[0].rsplit('"', 2)[1]


# The command, with the signal as in a terminal; it says when 30 files are answered, and waits there for the signal.
INTERRUPTED = """
import os, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
from wavewright.archive import answer_file
take, count = answer_file.AnswerFile.take, []
def counted(self, answer):
    take(self, answer)
    count.append(answer.item)
    if len(count) == 30:
        print("answered 30", file=sys.stderr, flush=True)
        os.kill(os.getpid(), signal.SIGSTOP)
answer_file.AnswerFile.take = counted
if __name__ == "__main__":
    from wavewright.cli.start import main
    main()
"""
