"""Processes of a pool end with this one, however that came about."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.running.ended_processes import watched

POOL = """
import signal, time
from wavewright.running.process_pool import handed_over, process_pool
with process_pool(2) as pool:
    for _ in range(6):
        handed_over(pool, time.sleep, 1e6)
    print(*pool._processes, flush=True)
    signal.pause()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux for the end of a process")
def test_they_end_when_this_process_is_killed() -> None:
    with subprocess.Popen([sys.executable, "-c", POOL], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        pids = [int(one) for one in process.stdout.readline().split()]
        assert len(pids) == 2
        with watched(pids) as all_ended:
            process.kill()
            assert all_ended()
