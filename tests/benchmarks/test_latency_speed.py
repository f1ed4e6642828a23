"""`end_of_line` at a bench that takes 5 ms for each answer, against a loop that was written by hand for it.

Both are programs of their own, from their start to their end, and talk to a served bench over raw sockets; they take
turns. The loop, `end_of_line_by_hand.py`, is as certain of its readings as the run is. Wall time counts, since most of
it is waiting. Queries are counted where the answers are sent. Run `python -m tests.benchmarks.test_latency_speed`.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from wavewright.logbook.book import Logbook
from wavewright.simulation.server import serving
from wavewright.simulation.server.raw_socket import RawSocketConnection

ROOT = Path(__file__).parents[2]
LATENCY, ROUNDS, TARGET, BUDGET = 5e-3, 3, 1.3, 300
PAUSES = 5 * 0.2  # s, that the recipe says
BY_HAND = [sys.executable, str(Path(__file__).with_name("end_of_line_by_hand.py"))]
COMMAND = ["run", str(ROOT / "recipes/end_of_line.yaml"), "--yes", "--json"]
PRODUCT = [sys.executable, "-m", "wavewright", *COMMAND]
# the same with nothing set up while the last shot of the measurement before is evaluated
NOT_AHEAD = """
import sys
from wavewright.cli.main import execute
from wavewright.running import measurement_sequence
measurement_sequence.LOOKS_AHEAD = False
sys.exit(execute(sys.argv[1:]))
"""


@dataclass(frozen=True)
class Turn:
    """One whole run: wall time, processor time of the program and of the bench in s, answered messages, readings."""

    seconds: float
    processor: float
    bench: float
    queries: int
    readings: dict[str, float]

    @property
    def added(self) -> float:
        """Pauses, answers and processor times one after the other, in s: what other load does not change."""
        return PAUSES + LATENCY * self.queries + self.processor + self.bench


class CountingConnection(RawSocketConnection):
    """Counts the answers of all connections."""

    answers = 0

    def _send(self) -> None:
        CountingConnection.answers += 1
        super()._send()


@contextmanager
def served(latency: float) -> Iterator[serving.BenchServer]:
    """A fresh bench, whose answers are counted from 0."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(serving, "RawSocketConnection", CountingConnection)
        CountingConnection.answers = 0
        with serving.BenchServer(ROOT / "sim/bench.yaml", latency=latency) as server:
            yield server


def run(*, latency: float = LATENCY, product: Sequence[str] = PRODUCT) -> Turn:
    """The run that a user starts, with its evidence and a logbook that is there."""
    with tempfile.TemporaryDirectory() as name, served(latency) as server:
        folder = Path(name)
        server.write_bench(folder / "live.yaml")
        Logbook(folder / "logbook.sqlite").close()
        kept = ["--bench", "live.yaml", "--out", "outcomes", "--logbook", "logbook.sqlite"]
        seconds, processor, bench, printed = timed([*product, *kept], folder)
        return Turn(seconds, processor, bench, CountingConnection.answers, readings_of(json.loads(printed)))


def by_hand(*options: str, latency: float = LATENCY) -> Turn:
    """The loop."""
    with tempfile.TemporaryDirectory() as folder, served(latency) as server:
        ports = {f"--{name}": port(server, name) for name in ("digitizer", "source", "supply", "prompts")}
        named = [word for pair in ports.items() for word in pair]
        seconds, processor, bench, printed = timed([*BY_HAND, *named, "--out", folder, *options], Path(folder))
        return Turn(seconds, processor, bench, CountingConnection.answers, json.loads(printed))


def port(server: serving.BenchServer, name: str) -> str:
    return server.addresses[f"TCPIP0::{name}.example::inst0::INSTR"].split("::")[2]


def timed(command: list[str], folder: Path) -> tuple[float, float, float, str]:
    begin, before = time.perf_counter(), os.times()  # the bench is served by a thread of ours
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "src")}
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, env=environment)
    seconds, after = time.perf_counter() - begin, os.times()
    assert done.returncode == 0, done.stderr
    processor = after.children_user + after.children_system - before.children_user - before.children_system
    bench = after.user + after.system - before.user - before.system
    return seconds, processor, bench, done.stdout


def readings_of(outcome: dict[str, Any]) -> dict[str, float]:
    """The readings of a run under the names that the loop uses."""
    found: dict[str, float] = {}
    for measurement in outcome["measurements"]:
        suffix = "".join(f" {duty.removesuffix(' %')}" for duty in measurement["conditions"].values())
        for result in measurement["results"]:
            found[result["name"] + suffix] = result["reading"]["value"]
    return found


def turns(rounds: int = ROUNDS) -> dict[str, list[Turn]]:
    """All ways take turns."""
    ways = {
        "run": run,
        "nothing set up ahead": lambda: run(product=[sys.executable, "-c", NOT_AHEAD, *COMMAND]),
        "by hand": by_hand,
        "one query per message": lambda: by_hand("--plain"),
    }
    found: dict[str, list[Turn]] = {name: [] for name in ways}
    for _ in range(rounds):
        for name, way in ways.items():
            found[name].append(way())
    return found


def table(found: dict[str, list[Turn]]) -> Iterator[tuple[str, float, str]]:
    """What, figure, target: medians of the rounds."""
    took = {name: median(turn.seconds for turn in some) for name, some in found.items()}
    asked = {name: float(median(turn.queries for turn in some)) for name, some in found.items()}
    what = f"`end_of_line` at a bench with {1e3 * LATENCY:g} ms per answer"
    yield f"{what}, times a loop by hand with the same certainty", took["run"] / took["by hand"], f"at most {TARGET}"
    yield "the same, times such a loop with one query per message", took["run"] / took["one query per message"], ""
    added = {name: median(turn.added for turn in some) for name, some in found.items()}
    yield "the same, pauses, answers and processor times added, times the loop", added["run"] / added["by hand"], ""
    yield f"the same in s of wall time, of which {PAUSES:g} s is pauses of the recipe", took["run"], ""
    yield "its queries", asked["run"], f"at most {BUDGET}"
    yield "those of the loop", asked["by hand"], ""
    yield "those of the loop with one query per message", asked["one query per message"], ""


def test_the_loop_reads_what_the_board_is_built_like(tmp_path: Path) -> None:
    """That it measures, and does not only ask: the figures are those of sim/vc204.yaml, tolerances included."""
    found = by_hand("--span", "0.02", latency=0.0)
    readings = found.readings
    assert 0.010 < readings["ripple"] < 0.030  # 380 mA through 62 mohm ± 5 %, less what the band limit takes away
    assert readings["ripple_tone"] == pytest.approx(340e3, rel=0.02)
    assert readings["reset_low"] == pytest.approx(2.2e-3, rel=0.1)
    for duty in (10, 40, 90):
        assert readings[f"duty_factor {duty}"] == pytest.approx(duty / 100, abs=0.001)  # 200 ns of delay in 800 us
        assert readings[f"overshoot {duty}"] == pytest.approx(0.045, abs=0.005 + 0.008)  # a code is 0.65 % of 24 V
    assert readings["frequency"] == pytest.approx(10e3, rel=0.01)
    assert readings["shortest_low"] == pytest.approx(0.4 / readings["frequency"], rel=0.02)
    assert readings["telegram_errors"] == 0
    # 26 shots and 7 looks, each with its wait, its data and its event register; the rest is set-ups and outputs
    assert found.queries < BUDGET


if __name__ == "__main__":
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    measured = turns()
    for what, figure, target in table(measured):
        print(f"{what}: {figure:.2f}" + (f" (target {target})" if target else ""))
    for name, some in measured.items():
        each = "; ".join(f"{one.seconds:.1f}, {one.processor:.1f}, {one.bench:.1f}, {one.queries}" for one in some)
        print(f"{name}: wall time, processor time of the program and of the bench in s, queries: {each}")
    print(f"load {os.getloadavg()[0]:.1f} at the end")
