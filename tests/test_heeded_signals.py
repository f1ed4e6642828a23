"""Programs that the suite starts end by signals, however the suite itself was started."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

SUITE = """
import signal, subprocess, sys
from tests.heeded_signals import ENDING, heed_signals
for number in ENDING:
    signal.signal(number, signal.SIG_IGN)
signal.pthread_sigmask(signal.SIG_BLOCK, ENDING)
if "heeds" in sys.argv:
    heed_signals()
    for number in ENDING[1:]:
        signal.raise_signal(number)  # the suite goes on, as it was told to
subprocess.run([sys.executable, "-c", sys.argv[1], *map(str, map(int, ENDING))], check=True)
"""
PROGRAM = """
import json, signal, sys
plain = (signal.SIG_DFL, signal.default_int_handler)
held = signal.pthread_sigmask(signal.SIG_BLOCK, ())
print(json.dumps([signal.getsignal(int(one)) in plain and int(one) not in held for one in sys.argv[1:]]))
"""


@pytest.mark.posix("signals are handed on to a program")
@pytest.mark.parametrize("is_heeding", [False, True])
def test_a_program_ends_by_signals_though_the_suite_ignores_them(is_heeding: bool) -> None:
    words = [sys.executable, "-c", SUITE, PROGRAM, *(["heeds"] if is_heeding else [])]
    root = Path(__file__).parents[1]
    done = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True, cwd=root)
    assert json.loads(done.stdout) == [is_heeding] * 4
