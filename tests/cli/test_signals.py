"""Real signals to a real process: the outputs are off when it ends, however often somebody presses Ctrl-C."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.instruments.program_units import units_of
from wavewright.instruments.wire_log import read_wire_log

pytestmark = [pytest.mark.slow, pytest.mark.posix("signals between processes; .ci/windows sends console events")]

ROOT = Path(__file__).parents[2]

# The supply stays on for a minute, unless somebody ends the run.
RECIPE = """
wavewright: 1
title: A minute under power
measurements:
  warm_up:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 1 ms, rate: 1 MHz}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}, then_wait: 60 s}]
    compute: {mean: {limit: 3.3 V ± 5 %}}
"""
# A supply that takes its time over every message, so that a second signal meets it at work.
SLOW = "wavewright-profile: 1\nname: slow-supply\nextends: scpi-supply\nquirks: {pause: 40 ms}\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "recipe.yaml").write_text(RECIPE)
    (tmp_path / "slow-supply.yaml").write_text(SLOW)
    bench = (ROOT / "sim/bench.yaml").read_text()
    bench = bench.replace("profile: scpi-supply,", "profile: slow-supply.yaml,")
    bench = bench.replace('"instruments.yaml@sim"', f'"{(ROOT / "sim/instruments.yaml").as_posix()}@sim"')
    bench = bench.replace("vc204.yaml", str(ROOT / "sim/vc204.yaml"))
    (tmp_path / "bench.yaml").write_text(bench)
    return tmp_path


@contextmanager
def running(folder: Path, *program: str) -> Iterator[subprocess.Popen[str]]:
    """The run, from the moment at which the supply's output is on."""
    how = program or ("-m", "wavewright")
    command = [sys.executable, *how, "-vv", "run", "recipe.yaml", "--bench", "bench.yaml", "--yes"]
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    try:
        wait_for(process, "OUTPut:STATe 1")
        yield process
    finally:
        process.kill()
        process.wait()


def wait_for(process: subprocess.Popen[str], words: str) -> None:
    assert process.stderr is not None
    for line in process.stderr:
        if words in line:
            return
    raise AssertionError(f"`{words}` never came")


def dialogue_with_supply(folder: Path) -> list[str]:
    (path,) = (folder / "outcomes").glob("*/wire.log")
    with path.open() as file:
        return [
            record.data.decode().strip()
            for record in read_wire_log(file)
            if record.instrument == "supply" and record.sign in "<>" and record.data
        ]


def is_confirmed_off(dialogue: list[str]) -> bool:
    """Whether, after the output was on for the last time, it was switched off and said that it is."""
    last_on = max(index for index, message in enumerate(dialogue) if message == "OUTPut:STATe 1")
    after = dialogue[last_on + 1 :]
    asked = max(index for index, message in enumerate(after) if "OUTPut:STATe?" in units_of(message))
    answers = dict(zip(units_of(after[asked]), after[asked + 1].split(";"), strict=True))
    return "OUTPut:STATe 0" in after[:asked] and answers["OUTPut:STATe?"] == "0"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_the_run_with_outputs_confirmed_off(number: signal.Signals, folder: Path) -> None:
    with running(folder) as process:
        process.send_signal(number)
        process.communicate()
        assert process.returncode == 3
    assert is_confirmed_off(dialogue_with_supply(folder))
    (path,) = (folder / "outcomes").glob("*/outcome.json")
    outcome = json.loads(path.read_text())
    assert (outcome["verdict"], outcome["error"]) == ("error", f"interrupted by {number.name}")


def test_more_signals_do_not_skip_the_switching_off(folder: Path) -> None:
    with running(folder) as process:
        process.send_signal(signal.SIGINT)
        wait_for(process, "OUTPut:STATe 0")  # now it is at work, and slow
        process.send_signal(signal.SIGINT)
        process.send_signal(signal.SIGTERM)
        process.communicate()
        assert process.returncode == 3
    assert is_confirmed_off(dialogue_with_supply(folder))


# The evidence takes its time, so that the second signal meets it being written; long after the outputs are off.
SLOW_EVIDENCE = """
import sys, time
from wavewright.cli.start import main
from wavewright.logbook.evidence import Evidence

finish = Evidence.finish


def slowly(self, outcome):
    print("evidence begins", file=sys.stderr, flush=True)
    until = time.monotonic() + 1
    while time.monotonic() < until:
        pass
    return finish(self, outcome)


Evidence.finish = slowly
main()
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_second_signal_does_not_throw_the_evidence_away(number: signal.Signals, folder: Path) -> None:
    with running(folder, "-c", SLOW_EVIDENCE) as process:
        process.send_signal(number)
        wait_for(process, "evidence begins")
        process.send_signal(number)
        process.communicate()
        assert process.returncode == 3
    assert is_confirmed_off(dialogue_with_supply(folder))
    (path,) = (folder / "outcomes").glob("*/outcome.json")
    assert json.loads(path.read_text())["error"] == f"interrupted by {number.name}"


# Somebody presses Ctrl-C while the command is still being loaded.
INTERRUPTED_LOADING = """
import signal, sys


class Interrupting:
    def find_spec(self, name, path=None, target=None):
        if name == "typer":
            signal.raise_signal(signal.SIGINT)


sys.meta_path.insert(0, Interrupting())
from wavewright.cli.start import main
main()
"""


def test_ctrl_c_while_the_command_is_loaded_shows_no_traceback() -> None:
    done = subprocess.run([sys.executable, "-c", INTERRUPTED_LOADING], check=False, capture_output=True, text=True)
    assert done.returncode == 3
    assert done.stderr == "interrupted by SIGINT\n"
