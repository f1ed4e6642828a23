"""SIGINT, SIGTERM and SIGHUP, once and twice, at random moments; then the instruments themselves are asked.

The simulated bench is served by a process of its own, which outlives every run and is asked over plain sockets.
36 signals, and 360 with WAVEWRIGHT_PROOF=full.
"""

from __future__ import annotations

import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import yaml

from tests.breaking_off.prepared import ROOT, STOP_SIGNALS, Ended, Prepared, prepared

pytestmark = [pytest.mark.slow, pytest.mark.posix("signals between processes; .ci/windows sends console events")]

TIMES = 360 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 36
TOO_LONG = 60.0  # s; a command that hangs fails the test, a slow machine does not
RECIPE = """\
wavewright: 1
title: Rail and drive, both outputs on
part: VC-204
parameters:
  duty: {default: 40 %}
measurements:
  drive:
    channels: {drive: {input: 1, range: 40 V, offset: 12 V}}
    timebase: {span: 2 ms, points: 2k}
    trigger: {mode: auto, on: drive, edge: rising, level: 12 V}
    shots: 3
    for_each: {duty: [20 %, 60 %]}
    stimulus:
      - {supply: {voltage: 24 V, current_limit: 1 A, output: on}, then_wait: 1 ms}
      - {source: {function: pulse, frequency: 1.25 kHz, duty_factor: $duty, high: 3.3 V, low: 0 V}, then_wait: 1 ms}
    compute:
      mean: {of: drive}
      top: {metric: maximum, of: drive, limit: at most 30 V}
"""


class Witness:
    """Asks the served instruments, with nothing but a socket."""

    def __init__(self, bench: Path) -> None:
        instruments = yaml.safe_load(bench.read_text())["instruments"]
        self._ports = {name: int(instruments[name]["resource"].split("::")[2]) for name in ("supply", "source")}

    def outputs(self) -> dict[str, str]:
        return {name: self._ask(port, "OUTPut:STATe?") for name, port in self._ports.items()}

    @staticmethod
    def _ask(port: int, query: str) -> str:
        with socket.create_connection(("127.0.0.1", port), timeout=TOO_LONG) as connection:
            connection.sendall(f"{query}\n".encode())
            return connection.makefile().readline().strip()


@contextmanager
def served(folder: Path) -> Iterator[Path]:
    """The simulated bench over sockets, in a process that outlives every run."""
    bench = folder / "served.yaml"
    command = [
        sys.executable,
        "-m",
        "wavewright",
        "simulate",
        str(ROOT / "sim/bench.yaml"),
        "--write-bench",
        str(bench),
    ]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stderr is not None
            assert any("bench file:" in line for line in process.stderr)
            yield bench
        finally:
            process.send_signal(signal.SIGHUP)
            said = process.communicate()[1]
    assert "stopped by SIGHUP" in said


def stopped(
    command: Prepared, folder: Path, *arguments: object, numbers: list[signal.Signals], after: float, apart: float
) -> Ended:
    """Start a command and send it signals; it must end by itself."""
    started = command.start(*arguments, folder=folder)
    for number, wait in zip(numbers, (after, apart), strict=False):
        if not started.is_on_after(wait):
            break
        started.signal(number)
    on = started.is_on_after(TOO_LONG)
    if on:
        started.signal(signal.SIGKILL)
    ended = started.end()
    assert not on, f"it did not end: {ended.stderr}"
    return ended


def test_outputs_are_off_and_the_batch_ends_whenever_a_signal_comes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    chance, done = random.Random(204), Counter[str]()
    with prepared(tmp_path) as command, served(tmp_path) as bench:
        witness = Witness(bench)
        (tmp_path / "recipe.yaml").write_text(RECIPE)
        run = ("run", tmp_path / "recipe.yaml", "--bench", bench, "--yes", "--logbook", tmp_path / "book.sqlite")
        took = []
        for _ in range(3):
            begin = time.monotonic()
            assert command.run(*run, folder=tmp_path).status == 0
            took.append(time.monotonic() - begin)
        longest = min(took)
        assert witness.outputs() == {"supply": "0", "source": "0"}
        for number in range(TIMES):
            folder = tmp_path / f"{number:03}"
            folder.mkdir()
            (folder / "serials.txt").write_text("A1\nA2\nA3\n")
            is_batch = number % 2 == 1
            words = ("--serials", "serials.txt", "--batch-name", f"lot-{number}", "--repeat-passed")
            arguments = (*run, *(words if is_batch else ("--serial", "A1")))
            numbers = (
                [STOP_SIGNALS[number % 3]]
                if number % 4 < 2
                else [STOP_SIGNALS[number % 3], chance.choice(STOP_SIGNALS)]
            )
            ended = stopped(
                command, folder, *arguments, numbers=numbers,
                after=chance.uniform(0, longest * (2 if is_batch else 1)), apart=chance.uniform(0, 0.05),
            )  # fmt: skip
            # then the outputs are off, whatever the run says
            assert witness.outputs() == {"supply": "0", "source": "0"}, ended.stderr
            assert ended.status in (0, 3), ended
            assert "Traceback" not in ended.stderr
            runs = [json.loads(path.read_text()) for path in sorted((folder / "outcomes").glob("[!.]*/outcome.json"))]
            broken = [one for one in runs if one["error"]]
            if ended.status == 0:
                assert not broken
                done["ended before"] += 1
                continue
            done[f"{numbers[0].name} {'once' if len(numbers) == 1 else 'twice'}"] += 1
            # and whoever looks at the last line knows what happened
            last = ended.stderr.strip().splitlines()[-1]
            # of two signals the second may be the one that is told: it came while the first was being answered, or
            # both were waiting while a call lasted, and Python takes those in the order of their numbers
            told = "|".join(number.name for number in numbers)
            assert re.search(rf"{told}|the batch was interrupted", ended.stderr), ended.stderr
            if broken:
                assert broken == runs[-1:], "no further unit was taken"
                assert re.fullmatch(rf"interrupted by ({told})", broken[0]["error"])
                wanted = f"--batch-name lot-{number} resumes it" if is_batch else "runs the unit again"
                # a second signal may come while the table is printed, when all else is done
                assert wanted in last or (len(numbers) == 2 and "interrupted by" in last), ended.stderr
            assert not list((folder / "outcomes").glob(".*")), "evidence has its name, or nothing was spoken"
        # what was broken off was entered
        assert command.run("logbook", "verify", "--logbook", tmp_path / "book.sqlite", folder=tmp_path).status == 0
    with capsys.disabled():
        print(f"\nstop signals: {TIMES} tried, {TIMES} right; {dict(sorted(done.items()))}")


COMMANDS = [
    ("recompute", "--all", "--jobs", "2"),
    ("report", "last", "--out", "report.html"),
    ("logbook", "export", "all.csv"),
    ("logbook", "verify"),
    ("study", "yield"),
]


def test_other_commands_end_with_a_word_and_leave_no_half_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    chance, done = random.Random(17), Counter[int]()
    with prepared(tmp_path) as command:
        bench = ROOT / "sim/bench.yaml"
        recipe = ROOT / "recipes/rail_ripple.yaml"
        for serial in ("A1", "A2", "A3"):
            command.run("run", recipe, "--bench", bench, "--yes", "--logbook", "book.sqlite", "--serial", serial)
        for arguments in COMMANDS:
            begin = time.monotonic()
            whole = command.run(*arguments, "--logbook", "book.sqlite")
            longest = time.monotonic() - begin
            assert whole.status == 0, (arguments, whole)
            before = {path.name: path.read_bytes() for path in tmp_path.glob("[ar]*.[ch]*") if path.is_file()}
            for number in STOP_SIGNALS:
                ended = stopped(
                    command, tmp_path, *arguments, "--logbook", "book.sqlite",
                    numbers=[number], after=chance.uniform(0, longest), apart=0,
                )  # fmt: skip
                done[ended.status] += 1
                assert ended.status == 0 or (ended.status == 3 and f"interrupted by {number.name}" in ended.stderr), (
                    ended
                )
                assert "Traceback" not in ended.stderr
                for name, content in before.items():
                    assert len((tmp_path / name).read_bytes()) == len(content), "whole, old or new"
            assert not list(tmp_path.glob(".*part*"))
    with capsys.disabled():
        print(f"\nsignals to other commands: {sum(done.values())} tried, all right; {done[3]} were ended by it")
