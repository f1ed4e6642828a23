"""The PostgreSQL server of the tests ends with them, however they end."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.logbook.postgresql import programs
from tests.running.ended_processes import watched

ROOT = Path(__file__).parents[2]
TESTER = """
import sys
from tests.logbook.postgresql import Server, programs
print(Server(programs()).process, flush=True)
sys.stdin.read()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux for the end of a process")
@pytest.mark.skipif(programs() is None, reason="NOT TESTED with PostgreSQL: initdb and pg_ctl are not installed")
def test_a_server_ends_with_a_tester_that_is_killed() -> None:
    words = [sys.executable, "-c", TESTER]
    with subprocess.Popen(words, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as tester:
        assert tester.stdout is not None
        with watched([int(tester.stdout.readline())]) as all_ended:
            tester.kill()
            assert all_ended()
