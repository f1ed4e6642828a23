"""Processor time of `wavewright run`, from its start to the first byte at an instrument's socket.

    python -m tests.benchmarks.test_start_speed            in seconds, and against loading the libraries alone
    python -m tests.benchmarks.test_start_speed ../other   and against another tree, in turns

Compile both trees first (`python -m compileall src`). The instruments are sockets that nobody answers at, the logbook
is an empty one of each tree's own.
"""

from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median

import pytest

from tests.instruments.silent_bench import BENCH
from wavewright.logbook.book import Logbook

ROOT = Path(__file__).parents[2]
ROUNDS = 9
# of others, what is loaded before the first message where it goes to a raw socket
LIBRARIES = "import pydantic.fields, typer, yaml, quantiphy, filelock, platformdirs, re2"
LOGBOOK = "from wavewright.logbook.book import Logbook; Logbook('book.sqlite').close()"


def until_the_first_message(folder: Path, tree: Path = ROOT) -> tuple[float, bytes]:
    """Processor time in s, and what came."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        (folder / "bench.yaml").write_text(BENCH.format(port=listening.getsockname()[1]), encoding="utf-8")
        words = ["run", str(tree / "recipes/end_of_line.yaml"), "--bench", "bench.yaml", "--yes"]
        kept = ["--serial", "VC204-0017", "--logbook", "book.sqlite", "--out", "outcomes"]
        environment = {**os.environ, "PYTHONPATH": str(tree / "src")}
        command = [sys.executable, "-m", "wavewright", *words, *kept]
        with subprocess.Popen(command, cwd=folder, env=environment, stderr=subprocess.DEVNULL) as process:
            try:
                first = first_bytes(listening)
                return time.clock_gettime(clock_of(process.pid)), first
            finally:
                process.send_signal(signal.SIGKILL)


def first_bytes(listening: socket.socket) -> bytes:
    lines: list[socket.socket] = []
    try:
        while True:
            ready, _, _ = select.select([listening, *lines], [], [], 60.0)
            if not ready:
                raise TimeoutError("no message came within a minute")
            if ready[0] is listening:
                lines.append(listening.accept()[0])
            elif came := ready[0].recv(100):
                return came
            else:
                lines.remove(ready[0])
    finally:
        for line in lines:
            line.close()


def clock_of(process: int) -> int:
    """The clock of another process's processor time, all threads together (clock_getcpuclockid(3), Linux)."""
    return ~process << 3 | 2


def of_the_libraries() -> float:
    """Processor time in s of a program that loads what the run needs of others, and nothing else."""
    before = os.times()
    subprocess.run([sys.executable, "-c", LIBRARIES], check=True)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def table(other: Path | None = None, *, rounds: int = ROUNDS) -> Iterator[tuple[str, float, str]]:
    """What, figure, target: medians of rounds in which all take turns."""
    trees = {"ours": ROOT} if other is None else {"ours": ROOT, "other": other}
    took: dict[str, list[float]] = {"ours": [], "libraries": [], "other": []}
    with tempfile.TemporaryDirectory() as name:
        for which, tree in trees.items():
            (Path(name) / which).mkdir()
            environment = {**os.environ, "PYTHONPATH": str(tree / "src")}
            subprocess.run([sys.executable, "-c", LOGBOOK], cwd=Path(name) / which, env=environment, check=True)
        for _ in range(rounds):
            took["libraries"].append(of_the_libraries())
            for which, tree in trees.items():
                took[which].append(until_the_first_message(Path(name) / which, tree)[0])
    ours, libraries = median(took["ours"]), median(took["libraries"])
    yield "`run end_of_line`: processor time before its first message, s", ours, ""
    yield "the same, times that of loading the libraries that it needs", ours / libraries, ""
    if other is not None:
        yield f"the same, times that of {other}", ours / median(took["other"]), "at most 0.5"


@pytest.mark.posix("the clock of another process")
def test_the_first_message_is_seen(tmp_path: Path) -> None:
    Logbook(tmp_path / "book.sqlite").close()
    seconds, first = until_the_first_message(tmp_path)
    assert first == b"*IDN?\n"
    assert seconds > 0


if __name__ == "__main__":
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    for what, figure, target in table(Path(sys.argv[1]).resolve() if sys.argv[1:] else None):
        print(f"{what}: {figure:.3f}" + (f" (target {target})" if target else ""))
