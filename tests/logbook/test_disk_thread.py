"""Files are brought to the disk beside the caller, one thing at a time, and a fault of it is never forgotten."""

from __future__ import annotations

import errno
import os
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from queue import SimpleQueue

import pytest

from wavewright.errors import StorageFault
from wavewright.logbook import disk_thread
from wavewright.logbook.disk_thread import DiskThread

HERE = Path("outcomes")


def test_the_caller_goes_on_while_the_disk_works_and_waits_when_it_asks() -> None:
    told: list[str] = []
    go_on = threading.Event()

    def sync() -> None:
        assert go_on.wait(60)
        told.append("on the disk")

    disk = DiskThread(sync, where=HERE)
    disk.begin()
    told.append("something else")
    go_on.set()
    disk.wait()
    told.append("waited")
    disk.end()
    assert told == ["something else", "on the disk", "waited"]


def test_the_disk_is_given_one_thing_at_a_time_and_none_is_left_out() -> None:
    inside, done = threading.Semaphore(1), list[int]()

    def sync() -> None:
        assert inside.acquire(blocking=False)
        done.append(len(done))
        inside.release()

    disk = DiskThread(sync, where=HERE)
    for number in range(100):
        if number % 3 == 2:
            disk.call()
        else:
            disk.wait()
            assert disk.begin()
    disk.end()
    assert done == list(range(100))


class Interrupted:
    """A queue into which Ctrl-C comes just before something is put there."""

    def __init__(self, plain: SimpleQueue[Callable[[], None] | None]) -> None:
        self.get, self._plain = plain.get, plain

    def put(self, wanted: Callable[[], None] | None) -> None:
        if wanted is not None:
            signal.raise_signal(signal.SIGINT)
        self._plain.put(wanted)


def test_ctrl_c_while_something_is_begun_leaves_nobody_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    disk = DiskThread(lambda: done.append("on the disk"), where=HERE)
    monkeypatch.setattr(disk, "_wanted", Interrupted(disk._wanted))
    with pytest.raises(KeyboardInterrupt):
        disk.begin()
    assert disk._is_at_rest.acquire(timeout=60), "whoever waits would wait for ever"
    disk._is_at_rest.release()
    disk.end()
    assert done == ["on the disk"]


def test_whoever_speaks_to_the_instruments_never_waits_for_a_disk_that_is_at_work() -> None:
    go_on, done = threading.Event(), list[str]()

    def sync() -> None:
        assert go_on.wait(60)
        done.append("on the disk")

    disk = DiskThread(sync, where=HERE)
    assert disk.begin()
    assert not disk.begin()  # would wait for ever
    go_on.set()
    disk.call()
    assert done == ["on the disk", "on the disk"]
    assert disk.begin()
    disk.end()


@pytest.mark.parametrize("way", ["begin", "call"])
def test_a_fault_is_told_by_all_that_comes_later(way: str) -> None:
    """An operating system tells of what it could not write once, and takes the file for whole after that (Linux)."""
    faults = [OSError(errno.EIO, os.strerror(errno.EIO))]

    def sync() -> None:
        while faults:
            raise faults.pop()

    disk = DiskThread(sync, where=HERE)
    if way == "call":
        with pytest.raises(OSError, match="Input/output"):
            disk.call()
    else:
        disk.begin()
    for ask in (disk.wait, disk.begin, disk.call, disk.wait):
        with pytest.raises(OSError, match="Input/output"):
            ask()
    disk.end()


def test_the_end_waits_for_what_is_on_its_way() -> None:
    go_on, done = threading.Event(), list[str]()

    def sync() -> None:
        assert go_on.wait(60)
        done.append("on the disk")

    disk = DiskThread(sync, where=HERE)
    disk.begin()
    go_on.set()
    disk.end()
    assert done == ["on the disk"]


def test_a_disk_that_does_not_answer_does_not_keep_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(disk_thread, "PATIENCE", 0.05)
    go_on = threading.Event()
    disk = DiskThread(lambda: go_on.wait(60) and None, where=HERE)
    disk.begin()
    with pytest.raises(StorageFault, match=r"outcomes: .*not on the disk within 0\.05 s"):
        disk.end()
    disk.end()  # the second time nobody waits
    go_on.set()
