"""The process that forks commands for these tests leaves nothing behind, whatever way a test ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from tests.breaking_off import prepared as module
from tests.breaking_off.prepared import ROOT, TO_DIE, prepared

pytestmark = [pytest.mark.slow, pytest.mark.posix("forks commands, and sends them signals")]

SERVES = ("simulate", ROOT / "sim/bench.yaml")  # until somebody ends it
TESTER = f"""
import sys
from pathlib import Path
from tests.breaking_off.prepared import prepared
with prepared(Path(sys.argv[1])) as command:
    print(command.start(*{tuple(map(str, SERVES))!r}).pid, command.start.__self__._process.pid, flush=True)
    sys.stdin.read()
"""


def test_one_that_has_ended_can_be_signalled_until_its_end_is_read(tmp_path: Path) -> None:
    with prepared(tmp_path) as command:
        started = command.start("--version")
        assert not started.is_on_after(TO_DIE)
        started.signal(signal.SIGKILL)
        ended = started.end()
        assert (ended.status, ended.stdout.split()[0]) == (0, "wavewright")
        again = command.start(*SERVES)
        again.signal(signal.SIGKILL)
        assert again.end().status == -signal.SIGKILL
        with pytest.raises(ProcessLookupError):
            started.signal(0)


def test_a_test_that_fails_ends_its_command(tmp_path: Path) -> None:
    started = None
    with pytest.raises(ZeroDivisionError), prepared(tmp_path) as command:  # noqa: PT012
        started = command.start(*SERVES)
        raise ZeroDivisionError
    assert not psutil.pid_exists(started.pid)


def test_what_a_command_leaves_behind_is_found_and_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "TO_NOTICE", 0.1)
    with (
        subprocess.Popen(["sleep", "1000"], env={**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)}) as left,
        pytest.raises(AssertionError, match=f"left behind by a command: .*pid={left.pid}"),
        prepared(tmp_path) as command,
    ):
        assert command.run("--version").status == 0
    assert not psutil.pid_exists(left.pid)


def test_all_ends_with_a_tester_that_is_killed(tmp_path: Path) -> None:
    words = [sys.executable, "-c", TESTER, str(tmp_path)]
    with subprocess.Popen(words, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as tester:
        both = [psutil.Process(int(pid)) for pid in tester.stdout.readline().split()]
        assert len(both) == 2
        tester.kill()
    assert psutil.wait_procs(both, timeout=TO_DIE)[1] == []
