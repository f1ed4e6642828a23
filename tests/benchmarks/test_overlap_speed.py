"""Shots of a million samples with ten metrics: the rate of a run against that of transfer and of evaluation alone.

The peer is a process of its own behind a real socket. It takes what it is set to, answers it when asked, and sends a
record that was prepared before, at a rate that it is told. The three ways take turns in one run; what counts are the
ratios. Evaluation alone has the records in memory and keeps each in a folder of evidence, as the run does.
Run `python -m tests.benchmarks.test_overlap_speed` for the table.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.logbook.evidence import Evidence
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.running.evaluation import Evaluation
from wavewright.running.instrument_settings import SettingsRecord, configure, requested_setup
from wavewright.running.run import carry_out, prepare
from wavewright.running.run_context import Silent
from wavewright.running.shot import ExaminedShot
from wavewright.waveform import Capture

SAMPLES, SHOTS, ROUNDS = 1_000_000, 24, 3
TARGET = 0.95  # of the rate of the slower one
PEER = """
import socket, sys, threading, time
import numpy as np
samples = int(sys.argv[1])
noise, longest = np.random.default_rng(204), max(samples, 100_000)  # a look for faster signals has a length of its own
square = np.where((np.arange(longest) // (samples / 200)).astype(int) % 2, 60, -60) + noise.normal(0, 2, longest)
record = square.round().astype(np.int8).tobytes()
rate, part = [0.0], 1 << 16
held = {}
listening = socket.create_server(("127.0.0.1", 0))
print(listening.getsockname()[1], flush=True)
def send(peer):
    begin, points = time.monotonic(), int(float(held["SENSe:SWEep:POINts"]))
    count = str(points).encode()
    block = memoryview(b"#" + str(len(count)).encode() + count + record[:points] + b"\\n")
    for first in range(0, len(block), part):
        peer.sendall(block[first : first + part])
        if rate[0]:
            time.sleep(max(begin + (first + part) / rate[0] - time.monotonic(), 0.0))
def talk(peer):
    peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    pending = b""
    while data := peer.recv(65536):
        pending += data
        while b"\\n" in pending:
            message, _, pending = pending.partition(b"\\n")
            head, _, value = message.strip().decode().partition(" ")
            if head == "RATE":
                rate[0] = float(value)
            elif head.startswith("SENSe:DATA?"):
                send(peer)
            elif head == "*IDN?":
                peer.sendall(b"Reedbank,Peer,0,1.0\\n")
            elif head == "*OPC?":
                peer.sendall(b"1\\n")
            elif head == "*ESR?":
                peer.sendall(b"0\\n")
            elif head == "SYSTem:ERRor?":
                peer.sendall(b'0,"No error"\\n')
            elif head == "SENSe:SWEep:TIME?":
                interval, points = (float(held["SENSe:SWEep:" + name]) for name in ("TINTerval", "POINts"))
                peer.sendall(b"%r\\n" % (interval * (points - 1)))
            elif head.endswith("?"):
                peer.sendall(held.get(head[:-1], "0").encode() + b"\\n")
            else:
                held[head] = value
    peer.close()
while True:
    threading.Thread(target=talk, args=(listening.accept()[0],), daemon=True).start()
"""
BENCH = """
wavewright-bench: 1
about: one digitizer
library: "@py"
instruments:
  digitizer: {{resource: "TCPIP0::127.0.0.1::{port}::SOCKET", profile: scpi-digitizer}}
probes: {{1: {{attenuation: 10, capacitance: 12 pF, bandwidth: 200 MHz}}}}
"""
RECIPE = """
wavewright: 1
title: Ten metrics
measurements:
  drive:
    channels: {{drive: {{input: 1, range: 8 V, offset: 0 V, probe: 10x}}}}
    timebase: {{span: {span} us, rate: 50 MHz}}
    trigger: {{mode: auto, on: drive, edge: rising, level: 0 V}}
    shots: {shots}
    compute:
      frequency: {{of: drive}}
      duty_factor: {{of: drive}}
      rise_time: {{of: drive}}
      fall_time: {{of: drive}}
      overshoot: {{of: drive}}
      peak_to_peak: {{of: drive}}
      mean: {{of: drive}}
      rms: {{of: drive}}
      high_level: {{of: drive}}
      low_level: {{of: drive}}
"""


class ShotTimes(Silent):
    """When each shot of a run was done, s."""

    def __init__(self) -> None:
        self.at: list[float] = []

    def shot(self, number: int) -> None:
        self.at.append(time.perf_counter())


@dataclass(frozen=True)
class PerShot:
    """Seconds per shot: transfer alone, evaluation and evidence alone, a run."""

    transfer: float
    evaluation: float
    run: float

    @property
    def ratio(self) -> float:
        """The rate of the run over that of the slower of the two."""
        return max(self.transfer, self.evaluation) / self.run


@contextmanager
def peer(samples: int) -> Iterator[int]:
    """The port of the peer."""
    process = subprocess.Popen([sys.executable, "-c", PEER, str(samples)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        yield int(process.stdout.readline())
    finally:
        process.terminate()
        process.wait()


def measured(folder: Path, port: int, *, samples: int, shots: int, rate: float) -> PerShot:
    """One turn of each way; `rate` of the peer in bytes per second, 0 for as fast as it can."""
    file = folder / "bench.yaml"
    file.write_text(BENCH.format(port=port), encoding="utf-8")
    bench = load_bench(file)
    recipe = parse_recipe(RECIPE.format(span=samples / 50, shots=shots), "ten.yaml")
    transfer = transferred(recipe, bench, shots, rate)
    # as a run brings them: what is stated of the input is among their settings, and each reading has a budget for it
    kept = parse_recipe(RECIPE.format(span=samples / 50, shots=1), "ten.yaml")
    (capture,) = carry_out(prepare(kept, bench)).captures["drive"]
    captures = [of_its_own(capture) for _ in range(shots)]
    return PerShot(transfer, evaluated(recipe, folder, captures), run(recipe, bench, folder))


def of_its_own(capture: Capture) -> Capture:
    """The same with records of its own: one that was evaluated just before would still be in the processor's cache."""
    return replace(
        capture,
        waveforms={name: replace(wave, codes=wave.codes.copy()) for name, wave in capture.waveforms.items()},
    )


def transferred(recipe: Recipe, bench: BenchFile, shots: int, rate: float) -> float:
    """Seconds per shot without any evaluation."""
    measurement = recipe.measurements[0]
    with open_bench(bench) as opened:
        digitizer = opened.digitizer
        digitizer.reset()
        digitizer.link.write(f"RATE {rate}")
        configure(digitizer, requested_setup(measurement, attenuations={1: 10.0}).setup, SettingsRecord())
        digitizer.acquire()
        begin = time.perf_counter()
        for _ in range(shots - 1):
            digitizer.acquire()
        return (time.perf_counter() - begin) / (shots - 1)


def evaluated(recipe: Recipe, folder: Path, captures: list[Capture]) -> float:
    """Seconds per shot of evaluation and evidence, the records in memory."""
    measurement = recipe.measurements[0]
    evaluation = Evaluation(measurement)
    with Evidence(folder, started=datetime.now(UTC), recipe="ten", serial="") as evidence:
        taken = []
        for capture in captures:
            shot = ExaminedShot(capture, measurement)
            evidence.keep(measurement.label, capture)
            evidence.read(measurement.label, evaluation.add(shot))
            taken.append(time.perf_counter())
    return (taken[-1] - taken[0]) / (len(taken) - 1)


def run(recipe: Recipe, bench: BenchFile, folder: Path) -> float:
    """Seconds per shot of the run that a user starts."""
    from wavewright.running.run_options import RunOptions

    times = ShotTimes()
    prepared = prepare(recipe, bench, RunOptions(progress=times))
    with Evidence(folder, started=datetime.now(UTC), recipe="ten", serial="") as evidence:
        outcome = carry_out(prepared, store=evidence)
    assert not outcome.error
    assert not outcome.measurements[0].error, outcome.measurements[0].error
    return (times.at[-1] - times.at[0]) / (len(times.at) - 1)


def table(*, samples: int = SAMPLES, shots: int = SHOTS, rounds: int = ROUNDS) -> list[tuple[str, PerShot]]:
    """Medians of the rounds: the peer as fast as it can, as slow as the evaluation, and at a third of that."""
    with tempfile.TemporaryDirectory() as name, peer(samples) as port:
        folder = Path(name)
        alone = measured(folder, port, samples=samples, shots=shots, rate=0.0).evaluation
        rates = {"fast link": 0.0, "as slow as evaluation": samples / alone, "slow link": samples / alone / 3}
        found: dict[str, list[PerShot]] = {words: [] for words in rates}
        for _ in range(rounds):
            for words, rate in rates.items():
                found[words].append(measured(folder, port, samples=samples, shots=shots, rate=rate))
    # the round in the middle of the ratios: its three numbers belong together
    return [(words, sorted(turns, key=lambda one: one.ratio)[len(turns) // 2]) for words, turns in found.items()]


@pytest.mark.slow
def test_a_run_of_small_shots_over_a_socket_keeps_them_all(tmp_path: Path) -> None:
    """That the program measures what it says; the figure itself is read from the table."""
    with peer(20_000) as port:
        found = measured(tmp_path, port, samples=20_000, shots=4, rate=0.0)
    assert min(found.transfer, found.evaluation, found.run) > 0


if __name__ == "__main__":
    for words, one in table():
        print(
            f"{words}: transfer {1e3 * one.transfer:.1f} ms, evaluation {1e3 * one.evaluation:.1f} ms, run "
            f"{1e3 * one.run:.1f} ms per shot: {one.ratio:.2f} of the slower one (target {TARGET})"
        )
