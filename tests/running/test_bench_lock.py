"""One bench, one run at a time: tried with real processes."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.ending import AT_ONCE
from wavewright.errors import BenchFault, StorageFault
from wavewright.running.bench_lock import bench_lock, lock_folder

ADDRESS = "TCPIP0::supply.example::inst0::INSTR"

HOLD = """
import os, sys
from pathlib import Path
from wavewright.running.bench_lock import bench_lock
with bench_lock([{address!r}], what="end_of_line", folder=Path({folder!r})):
    print("held by", os.getpid(), flush=True)
    sys.stdin.read()
"""


def holding(folder: Path) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD.format(address=ADDRESS, folder=str(folder))],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    held, by, number = process.stdout.readline().split()
    assert (held, by) == ("held", "by")
    process.pid = int(number)  # on Windows a virtual environment's Python is started by another process
    return process


def test_a_bench_in_use_is_refused_and_its_holder_named(tmp_path: Path) -> None:
    with holding(tmp_path) as other:
        with (
            pytest.raises(BenchFault, match=rf"in use by process {other.pid} on .* \(end_of_line, since "),
            bench_lock([ADDRESS], what="mine", folder=tmp_path),
        ):
            pass
        other.communicate("")


def test_a_run_waits_for_its_turn_and_says_for_whom(tmp_path: Path) -> None:
    said: list[str] = []
    with holding(tmp_path) as other:

        def hear(text: str) -> None:
            said.append(text)
            assert other.stdin is not None
            other.stdin.close()  # the other run ends as soon as somebody waits for it

        with bench_lock([ADDRESS], what="mine", patience=60, folder=tmp_path, say=hear):
            pass
    assert re.fullmatch(rf"{ADDRESS} is in use by process {other.pid} on .*; waiting for it", said[0])


def test_the_lock_of_a_killed_run_binds_nobody(tmp_path: Path) -> None:
    said: list[str] = []
    with holding(tmp_path) as other:
        os.kill(other.pid, AT_ONCE)
        other.wait()
        with bench_lock([ADDRESS], what="mine", folder=tmp_path, say=said.append):
            pass
    assert len(said) == 1
    assert f"process {other.pid}" in said[0]
    assert "without giving the instrument back" in said[0]


def test_other_instruments_are_free(tmp_path: Path) -> None:
    with holding(tmp_path) as other:
        with bench_lock(["TCPIP0::meter.example::inst0::INSTR"], what="mine", folder=tmp_path):
            pass
        other.communicate("")


def test_nothing_is_left_behind_and_the_next_run_hears_nothing(tmp_path: Path) -> None:
    said: list[str] = []
    for _ in range(2):
        with bench_lock([ADDRESS, ADDRESS], what="mine", folder=tmp_path, say=said.append):
            pass
    assert said == []
    assert not list(tmp_path.glob("*.json"))


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    with (
        pytest.raises(StorageFault, match="the lock file cannot be made"),
        bench_lock([ADDRESS], what="m", folder=blocked),
    ):
        pass


def test_lock_files_lie_in_the_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    assert lock_folder() == tmp_path / "wavewright"


@pytest.mark.posix("elsewhere access is by lists, not by modes")
def test_a_lock_folder_that_others_can_write_to_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "locks"
    folder.mkdir()
    folder.chmod(0o777)
    with pytest.raises(StorageFault, match="others may write there"), bench_lock([ADDRESS], what="x", folder=folder):
        pass
    (tmp_path / "own").mkdir(mode=0o700)
    (tmp_path / "link").symlink_to(tmp_path / "own")
    linked = tmp_path / "link"
    with pytest.raises(StorageFault, match="a link to one"), bench_lock([ADDRESS], what="x", folder=linked):
        pass


def test_the_note_of_a_lock_does_not_go_through_a_link(tmp_path: Path) -> None:
    victim = tmp_path / "victim.txt"
    victim.write_text("precious", encoding="utf-8")
    with bench_lock([ADDRESS], what="x", folder=tmp_path):
        (note,) = tmp_path.glob("*.json")
    note.symlink_to(victim)
    with bench_lock([ADDRESS], what="x", folder=tmp_path):
        assert not note.is_symlink()
    assert victim.read_text(encoding="utf-8") == "precious"


def test_a_note_that_somebody_reads_as_the_run_ends_misleads_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given a system that deletes nothing that is open, and somebody who has the note open
    def refuse(path: Path) -> None:
        raise PermissionError(13, "in use", str(path))

    said: list[str] = []
    with monkeypatch.context() as held:
        held.setattr("wavewright.running.bench_lock.take_away", refuse)
        with bench_lock([ADDRESS], what="mine", folder=tmp_path):
            pass
    # then the lock is free, and the next run is not told of one that ended without giving the instrument back
    with bench_lock([ADDRESS], what="next", folder=tmp_path, say=said.append):
        pass
    assert said == []
