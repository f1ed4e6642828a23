"""The power fails, and the disk fails to write: what is left holds every shot that was said to be taken.

The disk is modelled: of each file it has what was in it when the operating system was last asked to bring it there, and
nothing of what came later.
"""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.breaking_off.prepared import ROOT
from tests.breaking_off.test_kills import RECIPE
from tests.running.test_outputs_under_faults import outputs_on
from wavewright import durable_files
from wavewright.errors import StorageFault
from wavewright.logbook import disk_thread
from wavewright.logbook.disk_thread import DiskThread
from wavewright.logbook.kept_run import run
from wavewright.logbook.outcome_files import read_outcome
from wavewright.logbook.unfinished import recover
from wavewright.running import measurement_steps, overlapped_shots
from wavewright.running.evaluation import Evaluation
from wavewright.running.interruption import Interrupted
from wavewright.running.outcome import Outcome
from wavewright.running.run_context import Silent
from wavewright.waveform import Capture

SHOTS = 10  # of RECIPE
FILES = ("captures", "wire log", "journal")  # that grow while a run is on
STEP = 1 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 5
SYNC = durable_files._sync


class Disk(Silent):
    """What has reached the disk of a run's folder; `look` is called with every shot that is said to be taken."""

    def __init__(self, folder: Path, *, look: Callable[[Disk], None] = lambda disk: None) -> None:
        self._folder, self._look = folder, look
        self.files: dict[Path, bytes] = {}
        self.told = 0
        self.asked: list[tuple[int, bool]] = []  # shots told until then, and whether by the main thread

    def sync(self, handle: int) -> None:
        """In place of that of the operating system."""
        wanted = os.fstat(handle)
        for path in self._folder.rglob("*"):
            if path.is_file() and os.path.samestat(path.stat(), wanted):
                self.asked.append((self.told, threading.current_thread() is threading.main_thread()))
                self.files[path.relative_to(self._folder)] = path.read_bytes()
        SYNC(handle)

    def shot(self, number: int) -> None:
        self.told += 1
        self._look(self)

    def shots_after_the_power_failed(self, place: Path) -> int:
        """How many are in the evidence that is made of what is left, laid out in a new folder."""
        for name, content in self.files.items():
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            (place / name).write_bytes(content)
        return shots_in(place)


def shots_in(place: Path) -> int:
    """How many shots are in the evidence of what a folder of outcomes has left of one run."""
    (folder,) = recover(place)
    outcome = read_outcome(folder)
    assert {label: len(shots) for label, shots in outcome.captures.items()} == {
        one.label: one.shots for one in outcome.measurements
    }
    return sum(one.shots for one in outcome.measurements)


def take(tmp_path: Path, out: Path, progress: Silent) -> Outcome:
    (tmp_path / "recipe.yaml").write_text(RECIPE)
    return run(tmp_path / "recipe.yaml", bench=ROOT / "sim/bench.yaml", out=out, serial="A1", progress=progress)


def evaluated_before_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the disk be the slower one: a shot is on it no sooner than it is evaluated."""
    evaluated = threading.Semaphore(0)
    add, sync = Evaluation.add, DiskThread._run

    def adding(*given: Any, **options: Any) -> Any:
        found = add(*given, **options)
        evaluated.release()
        return found

    def running(self: DiskThread) -> None:
        plain = self._sync

        def late() -> None:
            assert evaluated.acquire(timeout=60)
            plain()

        self._sync = late
        sync(self)

    monkeypatch.setattr(Evaluation, "add", adding)
    monkeypatch.setattr(DiskThread, "_run", running)


@pytest.mark.parametrize("is_slow", [False, True], ids=["fast", "slow"])
def test_every_shot_that_was_said_to_be_taken_survives_a_power_failure(
    tmp_path: Path, is_slow: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    left: list[int] = []
    disk = Disk(
        tmp_path / "out",
        look=lambda disk: left.append(disk.shots_after_the_power_failed(tmp_path / f"left{disk.told}")),
    )
    monkeypatch.setattr(durable_files, "_sync", disk.sync)
    if is_slow:
        evaluated_before_the_disk(monkeypatch)
    outcome = take(tmp_path, tmp_path / "out", disk)
    assert not outcome.error
    assert len(left) == SHOTS
    assert all(shots >= told for told, shots in enumerate(left, start=1)), left


def test_a_shot_is_brought_to_the_disk_while_it_is_evaluated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # given an evaluation that waits until the disk has been asked to take the shot, the last of a measurement excepted
    disk, asked = Disk(tmp_path / "out"), threading.Semaphore(0)
    add, begun = Evaluation.add, list[int]()

    def adding(self: Evaluation, *given: Any, **options: Any) -> Any:
        begun.append(1)
        if len(begun) % (SHOTS // 2):
            for _ in FILES:
                assert asked.acquire(timeout=60), "it is taken there only after this"
        return add(self, *given, **options)

    def sync(handle: int) -> None:
        if threading.current_thread().name == "brings shots to the disk":
            asked.release()
        disk.sync(handle)

    monkeypatch.setattr(Evaluation, "add", adding)
    monkeypatch.setattr(durable_files, "_sync", sync)
    assert not take(tmp_path, tmp_path / "out", disk).error
    assert len(begun) == SHOTS


def test_the_thread_that_hears_signals_waits_for_no_disk_between_two_shots(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk(tmp_path / "out")
    monkeypatch.setattr(durable_files, "_sync", disk.sync)
    take(tmp_path, tmp_path / "out", disk)
    between = [is_main for told, is_main in disk.asked if 0 < told < SHOTS]
    assert len(between) >= 2 * (SHOTS - 1)
    assert not any(between)


class Failing(Disk):
    """A disk that cannot write once, which it says once: after that the system takes the file for whole."""

    def __init__(self, folder: Path, *, at: int) -> None:
        super().__init__(folder)
        self._left, self.has_failed = at, False

    def sync(self, handle: int) -> None:
        self._left -= 1
        if not self._left:
            self.has_failed = True
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        super().sync(handle)


def test_a_disk_that_fails_to_write_ends_the_run_with_outputs_off_and_what_was_taken(
    tmp_path: Path, libraries: list[Any], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    tried, kept = 0, 0
    for at in range(1, 1000, STEP):
        out = tmp_path / f"out{at}"
        disk = Failing(out, at=at)
        monkeypatch.setattr(durable_files, "_sync", disk.sync)
        before = len(libraries)
        try:
            outcome = take(tmp_path, out, disk)
            fault = outcome.error
        except StorageFault as raised:
            fault = str(raised)
        monkeypatch.setattr(durable_files, "_sync", SYNC)
        if not disk.has_failed:
            break
        tried += 1
        assert "Input/output error" in fault, at
        if len(libraries) == before:  # before the first message
            assert not disk.told
            continue
        assert outputs_on(libraries[-1]) == []
        if [path for path in out.iterdir() if not path.name.startswith(".")]:
            assert disk.told == SHOTS, at  # it was the name of the folder that did not reach the disk
            continue
        assert disk.told <= shots_in(out) <= disk.told + 2, at
        kept += 1
    assert kept >= 2 * SHOTS / STEP
    assert tried > kept
    with capsys.disabled():
        print(f"\ndisk that fails to write: {tried} of {tried} right, shots entered after {kept}")


def test_a_disk_that_does_not_answer_keeps_no_output_on(
    tmp_path: Path, libraries: list[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    # given a disk that hangs with the second shot, and Ctrl-C when the third has been fetched
    for module in (measurement_steps, overlapped_shots, disk_thread):
        monkeypatch.setattr(module, "PATIENCE", 0.2)
    monkeypatch.setattr(measurement_steps, "FIRST_PATIENCE", 0.1)
    go_on, hangs = threading.Event(), threading.Event()
    acquire, taken = measurement_steps._shot, list[int]()

    def third_is_interrupted(*given: Any) -> Capture:
        if len(taken) == 2:
            assert hangs.wait(60)
            assert outputs_on(libraries[-1])
            raise Interrupted(2)
        taken.append(1)
        return acquire(*given)

    class Hanging(Disk):
        def sync(self, handle: int) -> None:
            if threading.current_thread() is threading.main_thread():
                assert not self.told or outputs_on(libraries[-1]) == []
            elif self.told:
                hangs.set()
                go_on.wait(60)
            super().sync(handle)

    disk = Hanging(tmp_path / "out")
    monkeypatch.setattr(durable_files, "_sync", disk.sync)
    monkeypatch.setattr(measurement_steps, "_shot", third_is_interrupted)
    # when the run ends
    with pytest.raises(StorageFault, match=r"not on the disk within 0\.2 s"):
        take(tmp_path, tmp_path / "out", disk)
    # then outputs are off, and what had come is there when the disk answers again
    assert outputs_on(libraries[-1]) == []
    go_on.set()
    for thread in threading.enumerate():
        if thread.name in ("evaluates shots", "brings shots to the disk"):
            thread.join(60)
    assert shots_in(tmp_path / "out") == 2
