"""Smaller additions: each file shown is put into its folder, found there, and used."""

from __future__ import annotations

import importlib
import json
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.developers.document import ROOT, blocks
from wavewright.analysis.expressions import functions
from wavewright.analysis.expressions.derive import derive
from wavewright.cli.main import execute
from wavewright.errors import FileFault, Misuse
from wavewright.instruments.bench_file import load_bench
from wavewright.logbook.formats import catalogue as formats
from wavewright.recipe.load import parse_recipe
from wavewright.reporting import catalogue as reports
from wavewright.running.run import run
from wavewright.simulation.circuit import nodes
from wavewright.simulation.disturbances import effects, plan
from wavewright.simulation.scpi.disturbance import OutgoingAnswer
from wavewright.waveform import Waveform

SECTION = "Smaller additions"
SHOWN = {block.name: block.text for block in blocks(SECTION)}
TABLES: dict[str, dict[str, object]] = {
    "reporting": reports.FORMATS.entered,  # type: ignore[dict-item]
    "logbook/formats": formats.FORMATS.entered,  # type: ignore[dict-item]
    "analysis/expressions/library": functions.FUNCTIONS.entered,  # type: ignore[dict-item]
    "simulation/circuit": nodes._kinds.entered,  # type: ignore[dict-item]
    "simulation/disturbances": effects._kinds.entered,  # type: ignore[dict-item]
    "cli/commands": {},
}
LISTS = (
    reports.report_formats,
    formats.file_formats,
    functions.expression_functions,
    nodes.node_kinds,
    effects.fault_kinds,
)


@pytest.fixture
def added(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Every file shown, as if it lay in the folder that it names; gone after the test."""
    for listed in LISTS:
        listed()  # what is there already is entered before the tables are remembered
    before = {name: dict(table) for name, table in TABLES.items()}
    names = [name for name in SHOWN if name.endswith(".py")]
    assert {Path(name).parent.as_posix() for name in names} == set(TABLES)
    for name in names:
        file = tmp_path / name
        file.parent.mkdir(parents=True)
        file.write_text(SHOWN[name], encoding="utf-8")
        package = importlib.import_module(f"wavewright.{'.'.join(Path(name).parent.parts)}")
        monkeypatch.setattr(package, "__path__", [*package.__path__, str(file.parent)])
    yield tmp_path
    for name in names:
        sys.modules.pop(f"wavewright.{'.'.join(Path(name).with_suffix('').parts)}", None)
    for name, table in TABLES.items():
        table.clear()
        table.update(before[name])


def test_a_report_format_is_found_by_its_ending(added: Path) -> None:
    recipe = parse_recipe((ROOT / "recipes" / "rail_ripple.yaml").read_text(encoding="utf-8"), "rail_ripple.yaml")
    outcome = run(recipe, load_bench(ROOT / "sim" / "bench.yaml"), pause=lambda seconds: None)
    reports.write_report(outcome, added / "readings.tab")
    heading, row = (added / "readings.tab").read_text(encoding="utf-8").splitlines()
    assert heading.split("\t") == ["measurement", "entry", "value", "unit", "verdict"]
    label, name, value, unit, verdict = row.split("\t")
    assert (label, name, unit, verdict) == ("rail_noise", "ripple", "V", "pass")
    assert float(value) == outcome["rail_noise.ripple"].value


def test_a_file_format_is_found_by_its_suffix(added: Path) -> None:
    codes = np.array([0, 2048, 4095], dtype="<u2")
    (added / "dump.adc").write_bytes(codes.tobytes())
    wave = formats.read_waveform(added / "dump.adc", interval=1e-3)
    # math: 3.3 V over 4096 codes
    assert wave.values().tolist() == pytest.approx([0.0, 1.65, 4095 * 3.3 / 4096])
    with pytest.raises(Misuse, match="does not contain the time between two samples"):
        formats.read_waveform(added / "dump.adc")
    (added / "half.adc").write_bytes(b"\0\0\0")
    with pytest.raises(FileFault, match="3 bytes"):
        formats.read_waveform(added / "half.adc", interval=1e-3)
    with pytest.raises(Misuse, match="neither scale nor time"):
        formats.write_waveforms(added / "new.adc", {"adc": wave})


def test_a_function_is_known_to_expressions(added: Path) -> None:
    voltage = Waveform.from_volts(np.full(11, 24.0), interval=1e-3, name="u")
    current = Waveform.from_volts(np.full(11, 0.1), interval=1e-3, unit="A", name="i")
    spent = derive("energy(u, i)", {"u": voltage, "i": current})
    # math: 2.4 W for 10 ms
    assert spent.values()[-1] == pytest.approx(0.024)
    assert spent.unit == derive("integral(u * i)", {"u": voltage, "i": current}).unit
    with pytest.raises(Misuse):
        derive("energy(i, u)", {"u": voltage, "i": current})


def test_a_command_is_found_by_its_file(added: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert execute(["quantity", "500 us", "--unit", "s"]) == 0
    assert capsys.readouterr().out == "0.0005 s\n"
    assert execute(["quantity", "500 us", "--unit", "s", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"value": 500e-6, "unit": "s"}


def test_a_node_is_probed_on_a_board(added: Path) -> None:
    board = (ROOT / "sim" / "vc204.yaml").read_text(encoding="utf-8")
    node = "  cell: {kind: clock_cell, test_point: TP30, voltage: 3.05 V, resistance: 1 kohm}\n"
    for name in ("instruments.yaml", "bench.yaml"):
        (added / name).write_text((ROOT / "sim" / name).read_text(encoding="utf-8"), encoding="utf-8")
    (added / "vc204.yaml").write_text(board.rstrip() + "\n" + node, encoding="utf-8")
    recipe = parse_recipe(
        "wavewright: 1\ntitle: Is the cell good?\nmeasurements:\n  cell:\n    place: Probe 1 on TP30.\n"
        "    channels: {cell: {input: 1, range: 8 V, probe: 10x}}\n    timebase: {span: 1 ms, rate: 1 MHz}\n"
        "    trigger: {mode: auto, level: 2 V}\n    compute: {mean: {}}\n",
        "cell.yaml",
    )
    outcome = run(recipe, load_bench(added / "bench.yaml"), pause=lambda seconds: None)
    # math: 1 kohm with a 10 Mohm probe takes 0.01 %; the profile states 1.5 % and 0.5 % of range + 1 mV at the tip
    assert outcome["cell.mean"].value == pytest.approx(3.05, abs=0.015 * 3.05 + 0.005 * 8 + 0.01 + 3.05e-4)


def test_a_fault_is_ordered_by_a_file(added: Path) -> None:
    file = added / "carriage_return.yaml"
    file.write_text(SHOWN["sim/faults/carriage_return.yaml"], encoding="utf-8")
    assert "carriage return" in effects.fault_kinds()
    assert "meter" in plan.load_faults(file, seed=1)
    answer = OutgoingAnswer(b"1.5E+00\n")
    made = effects.fault_kinds()["carriage return"](None, np.random.default_rng(1))  # type: ignore[arg-type]
    made.on_answer(answer)
    assert answer.content == b"1.5E+00\r\n"
