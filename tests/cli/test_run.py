"""`wavewright run` as a person sees it: what is printed where, the exit status, and what lies on the disk."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from pyvisa import errors
from pyvisa.constants import StatusCode

from tests.cli.conftest import Spoken
from wavewright.simulation.library import SimulatedVisa

Command = Callable[..., Spoken]
ROOT = Path(__file__).parents[2]
BENCH, FAULTY = ROOT / "sim/bench.yaml", ROOT / "sim/bench_faulty.yaml"

RAIL = """
wavewright: 1
title: Rail
parameters: {most: {default: 40 mV}}
measurements:
  rail_noise:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, coupling: ac, range: 100 mV, probe: 1x, bandwidth_limit: 20 MHz}}
    timebase: {span: 200 us, rate: 25 MHz}
    trigger: {mode: auto, edge: rising, level: 0 V, timeout: 1 s}
    compute:
      ripple: {metric: peak_to_peak, limit: at most $most}
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder to work in, with one small recipe."""
    (tmp_path / "rail.yaml").write_text(RAIL)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def outcomes(folder: Path) -> list[Path]:
    return sorted((folder / "outcomes").iterdir()) if (folder / "outcomes").exists() else []


def test_a_pass_exits_0_with_the_table_on_stdout_and_progress_on_stderr(folder: Path, wavewright: Command) -> None:
    told = wavewright("run", "rail.yaml", "--bench", BENCH, "--yes", "--serial", "VC204-0017")
    assert told.status == 0
    row = next(line for line in told.stdout.splitlines() if " ripple " in line)
    assert re.match(
        r"rail_noise +ripple +[\d.]+ mV(, record only| ± [\d.]+ [mu]V) +at most 40 mV +[\d.]+ mV +pass", row
    )
    assert "Probe 1 on TP3." in told.stderr
    (kept,) = outcomes(folder)
    assert kept.name.endswith("-rail-VC204-0017")
    where = re.escape(str(kept.relative_to(folder)))
    assert re.fullmatch(
        rf"verdict: pass, on a simulated bench \(1 pass\); run \d{{8}}-\d{{6}}-[0-9a-f]{{8}}; evidence in {where}",
        told.stdout.splitlines()[-1],
    )


def test_a_fail_exits_1_and_says_why(folder: Path, wavewright: Command) -> None:
    told = wavewright("run", "rail.yaml", "--bench", FAULTY, "--yes")
    assert told.status == 1
    assert re.search(r"rail_noise\.ripple: [\d.]+ mV exceeds the limit \(at most 40 mV\)", told.stdout)


def test_json_is_the_whole_outcome_and_nothing_else_on_stdout(folder: Path, wavewright: Command) -> None:
    told = wavewright("run", "rail.yaml", "--bench", BENCH, "--yes", "--json", "--operator", "M. Brandt")
    assert told.json["verdict"] == "pass"
    assert told.json["operator"] == "M. Brandt"
    assert told.json["measurements"][0]["results"][0]["name"] == "ripple"
    assert Path(told.json["folder"]).is_dir()


def test_a_reading_without_a_number_exits_2(folder: Path, wavewright: Command) -> None:
    # two microseconds hold less than one period of the 340 kHz ripple
    text = RAIL.replace("200 us", "2 us").replace(
        "{metric: peak_to_peak, limit: at most $most}", "{metric: period, limit: at most 3 us}"
    )
    (folder / "rail.yaml").write_text(text)
    told = wavewright("run", "rail.yaml", "--bench", BENCH, "--yes")
    assert told.status == 2
    assert "inconclusive" in told.stdout


def test_a_parameter_can_be_set(folder: Path, wavewright: Command) -> None:
    told = wavewright("run", "rail.yaml", "--bench", BENCH, "--yes", "--set", "most=1 mV")
    assert told.status == 1
    assert "at most 1 mV" in told.stdout


@pytest.mark.parametrize("word", ["mots=1 mV", "most", "=3", "most="])
def test_a_setting_that_makes_no_sense_is_wrong_usage(word: str, folder: Path, wavewright: Command) -> None:
    told = wavewright("run", "rail.yaml", "--bench", BENCH, "--yes", "--set", word)
    assert told.status == 64
    assert told.stdout == ""
    assert not outcomes(folder)


def test_a_typo_is_refused_with_its_place_and_the_nearest_word(folder: Path, wavewright: Command) -> None:
    (folder / "rail.yaml").write_text(RAIL.replace("timebase:", "time_base:"))
    told = wavewright("run", "rail.yaml", "--bench", BENCH, "--yes")
    assert told.status == 3
    assert "rail.yaml:9:5: unknown key `time_base`" in told.stderr
    assert "did you mean `timebase`?" in told.stderr
    assert not outcomes(folder)


def test_an_absent_instrument_is_named_with_its_address(folder: Path, wavewright: Command) -> None:
    # the simulated bench knows no such address
    text = BENCH.read_text().replace("digitizer.example", "elsewhere.example")
    text = text.replace('"instruments.yaml@sim"', f'"{(ROOT / "sim/instruments.yaml").as_posix()}@sim"').replace(
        "vc204.yaml", str(ROOT / "sim/vc204.yaml")
    )
    (folder / "bench.yaml").write_text(text)
    told = wavewright("run", "rail.yaml", "--bench", "bench.yaml", "--yes")
    assert told.status == 3
    assert "TCPIP0::elsewhere.example::inst0::INSTR" in told.stderr
    assert "Traceback" not in told.stderr
    # what was asked, and what came back, is evidence too
    (evidence,) = outcomes(folder)
    assert "elsewhere.example" in json.loads((evidence / "outcome.json").read_text())["error"]
    assert (evidence / "wire.log").exists()
    assert "verdict: error" in told.stdout


def test_a_bench_file_that_is_not_there_is_named(folder: Path, wavewright: Command) -> None:
    told = wavewright("run", "rail.yaml", "--bench", "nowhere.yaml", "--yes")
    assert told.status == 3
    assert told.stderr.startswith("nowhere.yaml: there is no such file")


def test_a_cable_pulled_in_the_middle_of_a_transfer_ends_the_run_and_keeps_what_came_before(
    folder: Path, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given a line that breaks while the second shot's block of 5000 samples is on it
    (folder / "rail.yaml").write_text(RAIL.replace("    compute:", "    shots: 3\n    compute:"))
    whole, blocks = SimulatedVisa.read, [0]

    def read(self: SimulatedVisa, session: object, count: int) -> tuple[bytes, StatusCode]:
        content, status = whole(self, session, count)
        blocks[0] += len(content) > 1000 or content.startswith(b"#")
        if (blocks[0] > 1 and len(content) > 1000) or blocks[0] > 2:
            raise errors.VisaIOError(StatusCode.error_connection_lost.value)
        return content, status

    monkeypatch.setattr(SimulatedVisa, "read", read)
    told = wavewright("run", "rail.yaml", "--bench", BENCH, "--yes")
    assert told.status == 3
    assert "TCPIP0::digitizer.example::inst0::INSTR" in told.stdout
    assert "VI_ERROR_CONN_LOST" in told.stdout
    assert 'SENSe:DATA? "XTIMe:VOLTage 1"' in told.stdout
    assert len(outcomes(folder)) == 1


def test_a_trigger_that_never_comes_exits_3_and_names_level_and_time(folder: Path, wavewright: Command) -> None:
    text = RAIL.replace("mode: auto", "mode: normal").replace("level: 0 V", "level: 40 mV")
    # the simulated instrument looks through the whole wait: a short one, so that it is done in time on a busy machine
    (folder / "rail.yaml").write_text(text.replace("timeout: 1 s", "timeout: 200 ms"))
    told = wavewright("run", "rail.yaml", "--bench", BENCH, "--yes")
    assert told.status == 3
    assert "no trigger within 0.2 s" in told.stdout
    assert len(outcomes(folder)) == 1


def test_a_clipped_channel_is_told_beside_its_reading(folder: Path, wavewright: Command) -> None:
    (folder / "rail.yaml").write_text(
        RAIL.replace("range: 100 mV,", "range: 80 mV, offset: 60 mV,").replace("level: 0 V", "level: 30 mV")
    )
    told = wavewright("run", "rail.yaml", "--bench", BENCH, "--yes")
    assert re.search(
        r"rail_noise\.ripple: clipped: 100 % of the samples lie on the lowest code; .*widen `range`", told.stdout
    )
    assert told.status == 2


@pytest.mark.posix("a file system that refuses everybody stands for one without room or right")
def test_a_folder_that_takes_no_file_is_told_before_the_bench_is_opened(
    folder: Path, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(SimulatedVisa, "open", None)
    told = wavewright("run", "rail.yaml", "--bench", BENCH, "--yes", "--out", "/proc/outcomes")
    assert told.status == 3
    assert told.stderr.startswith("/proc/outcomes: the evidence cannot be written: ")
    assert "--out" in told.stderr


@pytest.mark.posix("the kernel limits the size of files")
def test_a_full_disk_is_one_clear_message_and_leaves_no_half_evidence(folder: Path) -> None:
    # the kernel refuses every file beyond 200 kB, as a full disk would; the record has 2 MB
    (folder / "rail.yaml").write_text(RAIL.replace("span: 200 us", "span: 80 ms"))

    def small_disk() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))

    command = [sys.executable, "-m", "wavewright", "run", "rail.yaml", "--bench", str(BENCH), "--yes"]
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(command, capture_output=True, text=True, check=False, preexec_fn=small_disk, env=environment)
    assert done.returncode == 3
    assert "the captures cannot be written: " in done.stderr
    assert "do: make room; `wavewright logbook import outcomes` then enters what was measured" in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert all(path.name.startswith(".") for path in outcomes(folder))


def test_nobody_at_the_keyboard_is_told_to_say_yes(folder: Path) -> None:
    command = [sys.executable, "-m", "wavewright", "run", "rail.yaml", "--bench", str(BENCH)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL)
    assert done.returncode == 64
    assert "--yes" in done.stderr
    assert outcomes(folder) == []


def test_enter_goes_on(folder: Path) -> None:
    command = [sys.executable, "-m", "wavewright", "run", "rail.yaml", "--bench", str(BENCH)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, input="\n")
    assert done.returncode == 0, done.stderr


def test_shipped_recipes_and_bench_are_found_in_any_folder(folder: Path, wavewright: Command) -> None:
    told = wavewright("run", "recipes/rail_ripple.yaml", "--yes")
    assert told.status == 0
