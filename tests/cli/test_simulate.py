"""`wavewright simulate`: a recipe over real sockets says the same as one on the simulated library."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from wavewright.cli.main import execute

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-m", "wavewright"]
RECIPE = """
wavewright: 1
title: Over the wire
measurements:
  rail_noise:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, coupling: ac, range: 100 mV, probe: 1x, bandwidth_limit: 20 MHz}}
    timebase: {span: 200 us, rate: 25 MHz}
    trigger: {mode: auto, level: 0 V}
    shots: 2
    compute: {peak_to_peak: {limit: at most 40 mV}, strongest_tone: {}}
  reset_hold:
    place: Probe 1 on TP3, probe 2 on TP9.
    channels: {reset: {input: 2, range: 8 V, offset: 2 V}}
    timebase: {span: 8 ms, before_trigger: 1 ms, points: 80k}
    trigger: {mode: normal, edge: falling, level: 1.65 V, timeout: 5 s}
    stimulus:
      - {supply: {output: off}, then_wait: 200 ms}
      - {supply: {voltage: 24 V, current_limit: 1 A, output: on}}
    compute: {time_between: {from: falling 0.99 V, to: rising 2.31 V, limit: 1.6 ms .. 3.2 ms}}
"""


@contextmanager
def serving(folder: Path, *options: str) -> Iterator[subprocess.Popen[str]]:
    """The server, from the moment at which its bench file is there."""
    command = [*COMMAND, "simulate", str(ROOT / "sim/bench.yaml"), "--write-bench", "live.yaml", *options]
    process = subprocess.Popen(command, cwd=folder, stderr=subprocess.PIPE, text=True)
    try:
        assert process.stderr is not None
        for line in process.stderr:
            if line.startswith("bench file: "):
                break
        yield process
    finally:
        process.kill()
        process.wait()


def run(folder: Path, bench: str, *options: str) -> dict[str, Any]:
    command = [*COMMAND, "run", "recipe.yaml", "--bench", bench, "--yes", "--json", "--no-logbook", *options]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    outcome: dict[str, Any] = json.loads(done.stdout)
    return outcome


@pytest.mark.parametrize("options", [(), ("--hislip",)], ids=["raw socket", "hislip"])
def test_the_same_seed_gives_the_same_readings_over_the_network(options: tuple[str, ...], tmp_path: Path) -> None:
    (tmp_path / "recipe.yaml").write_text(RECIPE)
    # with a latency too: it is real time, not simulated time
    with serving(tmp_path, "--seed", "204", "--latency", "1 ms", *options):
        over_the_wire = run(tmp_path, "live.yaml")
    at_home = run(tmp_path, str(ROOT / "sim/bench.yaml"), "--seed", "204")
    assert over_the_wire["verdict"] == at_home["verdict"] == "pass"
    for one, other in zip(over_the_wire["measurements"], at_home["measurements"], strict=True):
        assert [result["reading"] for result in one["results"]] == [result["reading"] for result in other["results"]]


@pytest.mark.parametrize("options", [(), ("--hislip",)], ids=["raw socket", "hislip"])
def test_a_run_over_the_network_is_replayed_when_the_server_is_gone(options: tuple[str, ...], tmp_path: Path) -> None:
    (tmp_path / "recipe.yaml").write_text(RECIPE)
    with serving(tmp_path, *options):
        recorded = run(tmp_path, "live.yaml", "--full-wire-log", "--out", "evidence")
    (wire_log,) = (tmp_path / "evidence").rglob("wire.log")
    command = [*COMMAND, "replay", str(wire_log), "recipe.yaml", "--bench", "live.yaml", "--json"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    replayed = json.loads(done.stdout)
    assert replayed["verdict"] == recorded["verdict"]
    for one, other in zip(replayed["measurements"], recorded["measurements"], strict=True):
        assert one["results"] == other["results"]


@pytest.mark.posix("signals between processes")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_the_server_cleanly(number: signal.Signals, tmp_path: Path) -> None:
    with serving(tmp_path) as process:
        process.send_signal(number)
        assert process.wait() == 0


@pytest.mark.parametrize(
    "latency, complaint",
    [
        ("5", "--latency: `5` has no unit\n  expected: a time, such as `500 us`"),
        ("-5ms", "--latency: `-5 ms` is out of range here\n  expected: at least 0 s"),
        ("soon", "--latency: `soon` is not a number\n  expected: a time, such as `500 us`"),
        ("5 mV", "--latency: `5 mV` is a voltage\n  expected: a time, such as `500 us`"),
        ("3 s", "with a latency of 3 s every answer of `digitizer` counts as missing: its profile has `timeout: 2 s`"),
    ],
)
def test_a_latency_that_cannot_be_is_refused(
    latency: str, complaint: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    live = tmp_path / "live.yaml"
    assert execute(["simulate", str(ROOT / "sim/bench.yaml"), f"--latency={latency}", "--write-bench", str(live)]) == 64
    assert complaint in capsys.readouterr().err
    assert not live.exists()
