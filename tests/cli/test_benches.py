"""The commands for benches: `bench`, `profile`, `replay`, and golden waveforms."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken

Command = Callable[..., Spoken]
ROOT = Path(__file__).parents[2]


def test_each_instrument_of_a_bench_is_identified(wavewright: Command) -> None:
    told = wavewright("bench", "identify", "--bench", ROOT / "sim/bench.yaml", "--json")
    assert told.status == 0
    assert told.json["supply"]["identity"].startswith("Wavewright,Simulated supply")


def test_an_instrument_that_is_not_there_exits_3_and_the_others_are_told(tmp_path: Path, wavewright: Command) -> None:
    text = (ROOT / "sim/bench.yaml").read_text().replace("supply.example", "elsewhere.example")
    text = text.replace('"instruments.yaml@sim"', f'"{(ROOT / "sim/instruments.yaml").as_posix()}@sim"')
    (tmp_path / "bench.yaml").write_text(text.replace("vc204.yaml", str(ROOT / "sim/vc204.yaml")))
    told = wavewright("bench", "identify", "--bench", tmp_path / "bench.yaml", "--json")
    assert told.status == 3
    assert "elsewhere.example" in told.json["supply"]["fault"]
    assert told.json["digitizer"]["identity"]


def test_what_the_visa_library_logs_is_not_shown(tmp_path: Path) -> None:
    # PyVISA-py 0.8.1 logs a traceback for a HiSLIP port where nobody listens
    with socket.socket() as taken:  # bound, and not listening: the port stays closed
        taken.bind(("127.0.0.1", 0))
        address = f"TCPIP0::127.0.0.1::hislip0,{taken.getsockname()[1]}::INSTR"
        (tmp_path / "bench.yaml").write_text(
            'wavewright-bench: 1\nlibrary: "@py"\n'
            f'instruments: {{supply: {{resource: "{address}", profile: scpi-supply}}}}\n'
        )
        command = [sys.executable, "-m", "wavewright", "bench", "identify", "--bench", "bench.yaml", "--json"]
        told = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert told.returncode == 3
    assert "no connection: " in json.loads(told.stdout)["supply"]["fault"]
    assert told.stderr == ""


def test_a_scan_finds_profiles_and_writes_a_bench_file(tmp_path: Path, wavewright: Command) -> None:
    told = wavewright("bench", "scan", "--bench", ROOT / "sim/bench.yaml", "--write", tmp_path / "found.yaml")
    assert "Simulated digitizer,WD-0204,1.0 (scpi-digitizer)" in told.stdout
    assert "profile: scpi-supply" in (tmp_path / "found.yaml").read_text()
    again = wavewright("bench", "scan", "--bench", ROOT / "sim/bench.yaml", "--write", tmp_path / "found.yaml")
    assert again.status == 64


def test_addresses_are_listed_without_asking_anybody(wavewright: Command) -> None:
    listed = wavewright("bench", "list", "--library", "@sim", "--json").json
    assert "GPIB0::8::INSTR" in listed  # of the definition that PyVISA-sim 0.7.1 brings


def test_a_new_profile_begins_as_a_valid_file(
    tmp_path: Path, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert wavewright("profile", "new", "my-supply", "--from", "scpi-supply").status == 0
    assert wavewright("validate", "my-supply.yaml").status == 0
    assert wavewright("profile", "new", "my-supply").status == 64
    told = wavewright("profile", "exercise", "my-supply.yaml", "--bench", ROOT / "sim/bench.yaml")
    assert told.status == 0
    assert "0 failed" in told.stdout.splitlines()[-1]


def test_shipped_profiles_are_listed_and_shown(wavewright: Command) -> None:
    assert {"name": "scpi-meter", "role": "meter"}.items() <= {
        **next(row for row in wavewright("profile", "list", "--json").json if row["name"] == "scpi-meter")
    }.items()
    assert "extends: scpi-basics" in wavewright("profile", "show", "scpi-meter").stdout


def test_a_run_can_be_replayed_from_its_wire_log(
    tmp_path: Path, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    recipe, bench = ROOT / "recipes/rail_ripple.yaml", ROOT / "sim/bench.yaml"
    run = wavewright("run", recipe, "--bench", bench, "--yes", "--full-wire-log", "--json").json
    told = wavewright("replay", Path(run["folder"]) / "wire.log", recipe, "--bench", bench, "--json")
    assert told.status == 0
    assert told.json["measurements"][0]["results"] == run["measurements"][0]["results"]


def test_golden_waveforms_are_kept_for_comparisons(
    tmp_path: Path, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    recipe, bench = ROOT / "recipes/rail_ripple.yaml", ROOT / "sim/bench.yaml"
    assert wavewright("run", recipe, "--bench", bench, "--yes", "--keep-as", "golden").status == 0
    text = (
        recipe.read_text().rstrip() + "\n    compare:\n      golden: {with: golden/rail_noise.h5, rms: at most 15 mV}\n"
    )
    (tmp_path / "compared.yaml").write_text(text)
    told = wavewright("run", "compared.yaml", "--bench", bench, "--yes", "--json")
    names = [result["name"] for result in told.json["measurements"][0]["results"]]
    assert {"golden.rms", "golden.gain", "golden.delay"} <= set(names)
    assert json.dumps(told.json)  # every number is finite


def test_the_table_is_shown_though_no_golden_waveform_can_be_kept(
    tmp_path: Path, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "golden").write_text("a file, not a folder", encoding="utf-8")
    recipe, bench = ROOT / "recipes/rail_ripple.yaml", ROOT / "sim/bench.yaml"
    told = wavewright("run", recipe, "--bench", bench, "--yes", "--keep-as", "golden")
    assert told.status == 3
    assert "golden waveforms cannot be kept" in told.stderr
    assert "rail_noise" in told.stdout
    assert "PASS" in told.stdout.upper()
