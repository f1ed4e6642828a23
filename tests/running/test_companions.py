"""Processes that compute for this one: what they have of it, what becomes of work that fails, and how they end."""

from __future__ import annotations

import gc
import math
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.running.ended_processes import watched
from wavewright.instruments.waits import SLICE
from wavewright.running import companions as several
from wavewright.running.companion import can_split
from wavewright.running.companions import Companions

POSIX = pytest.mark.posix("sends signals to processes by their numbers")
KINDS = ("copy", "interpreter") if sys.platform == "linux" else ("interpreter",)
FOR_EVER = 1e6  # s
PATIENCE = 300  # slices of a wait; only a defect lets anybody wait so long


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """How companions are started, whatever threads this process of tests may have."""
    monkeypatch.setattr(several, "can_split", lambda: request.param == "copy")
    return str(request.param)


def wait_for(companions: Companions[Any], number: int) -> Any:
    for _ in range(PATIENCE):
        if not companions.is_at(number):
            return companions.take(number)
        companions.look(SLICE)
    raise AssertionError("no answer came")


def test_each_item_has_its_answer_and_one_that_fails_has_none(kind: str) -> None:
    with Companions(math.sqrt, 1) as companions:
        assert companions.give(3, 9.0)
        assert companions.give(4, -1.0)  # no root
        assert not companions.has_room()
        assert [wait_for(companions, number) for number in (3, 4)] == [3.0, None]
        assert companions.has_room()
        assert companions.give(5, 25.0)
        assert wait_for(companions, 5) == 5.0


@POSIX
def test_after_the_block_none_is_left_whatever_it_is_at(kind: str) -> None:
    with Companions(time.sleep, 2) as companions:
        pids = companions.processes
        assert len(pids) == 2
        for number in range(4):
            assert companions.give(number, FOR_EVER)  # for ever
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


@POSIX
def test_one_that_is_killed_has_no_answer_and_gets_nothing_more(kind: str) -> None:
    with Companions(time.sleep, 2) as companions:
        first, other = companions.processes
        for number in range(4):
            assert companions.give(number, FOR_EVER)
        os.kill(first, signal.SIGKILL)
        assert wait_for(companions, 0) is None
        assert not companions.is_at(2)
        assert companions.is_at(1)
        os.kill(other, signal.SIGKILL)
        assert wait_for(companions, 1) is None
        assert not companions.has_room()
        assert not companions.give(9, FOR_EVER)


def test_one_that_ends_by_itself_has_no_answer(kind: str) -> None:
    with Companions(os._exit, 1) as companions:
        assert companions.give(0, 1)
        assert wait_for(companions, 0) is None
        assert not companions.has_room()


@POSIX
def test_no_signal_of_a_terminal_reaches_one(kind: str) -> None:
    with Companions(math.sqrt, 1) as companions:
        (pid,) = companions.processes
        assert companions.give(0, 4.0)
        assert wait_for(companions, 0) == 2.0
        assert os.getpgid(pid) != os.getpgid(0)
        os.kill(pid, signal.SIGINT)
        assert companions.give(1, 9.0)
        assert wait_for(companions, 1) == 3.0
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, [])
    assert not {signal.SIGINT, signal.SIGTERM} & set(mask)


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_one_has_no_socket_and_no_file_of_this_process(kind: str, tmp_path: Path) -> None:
    here, there = socket.socketpair()
    with here, there, (tmp_path / "kept").open("wb"), Companions(math.sqrt, 2) as companions:
        for number in range(2):
            assert companions.give(number, 4.0)
        for number in range(2):
            wait_for(companions, number)
        for pid in companions.processes:
            held = {str(one.readlink()) for one in Path(f"/proc/{pid}/fd").iterdir()}
            pipes = {one for one in held if one.startswith("pipe:")}
            assert held - pipes == {os.devnull}
            assert len(pipes) == 2


def test_work_that_cannot_be_handed_over_is_done_by_nobody(kind: str) -> None:
    factor = 3
    with Companions(lambda number: factor * number, 1) as companions:
        given = companions.give(0, 5)
        assert given == (kind == "copy")  # which has it in its memory
        assert wait_for(companions, 0) == (15 if given else None)


def test_an_item_that_cannot_be_handed_over_is_not_taken(kind: str) -> None:
    with Companions(math.sqrt, 1) as companions:
        assert not companions.give(0, lambda: None)
        assert companions.give(1, 4.0)
        assert wait_for(companions, 1) == 2.0


@pytest.mark.parametrize("way", ["copied_companion", "new_companion"])
def test_where_none_can_be_started_nothing_is_given(way: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_room(work: Callable[[Any], object]) -> None:
        raise BlockingIOError("no more processes")

    monkeypatch.setattr(several, way, no_room)
    monkeypatch.setattr(several, "can_split", lambda: way == "copied_companion")
    with Companions(math.sqrt, 2) as companions:
        assert not companions.processes
        assert not companions.has_room()
        assert not companions.give(0, 4.0)
        assert not companions.is_at(0)


def test_what_is_shared_with_a_copy_is_left_alone_by_the_collector_until_it_has_ended(kind: str) -> None:
    gc.unfreeze()  # a command that another test has called in this process froze what it had loaded
    with Companions(math.sqrt, 1):
        assert bool(gc.get_freeze_count()) == (kind == "copy")
    assert not gc.get_freeze_count()
    gc.freeze()  # by somebody else
    try:
        with Companions(math.sqrt, 1):
            pass
        assert gc.get_freeze_count()
    finally:
        gc.unfreeze()


def test_a_process_with_a_second_thread_is_not_copied() -> None:
    import threading

    is_over = threading.Event()
    other = threading.Thread(target=is_over.wait)
    other.start()
    try:
        assert not can_split()
    finally:
        is_over.set()
        other.join()


KILLED = """
import signal, sys, time
from wavewright.running import companions as several
from wavewright.running.companions import Companions
several.can_split = lambda: sys.argv[1] == "copy"
with Companions(time.sleep, 2) as companions:
    for number in range(4):
        companions.give(number, 1e6)
    print(*companions.processes, flush=True)
    signal.pause()
"""


@pytest.fixture
def killed(kind: str) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-c", KILLED, kind]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        yield process
        process.kill()


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux for the end of a process")
def test_they_end_when_this_process_is_killed(killed: subprocess.Popen[str]) -> None:
    assert killed.stdout is not None
    pids = [int(one) for one in killed.stdout.readline().split()]
    assert len(pids) == 2
    with watched(pids) as all_ended:
        killed.kill()
        assert all_ended()
