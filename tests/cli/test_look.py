"""`wavewright look`: every node of the simulated board is named right, and a draft finds what is wrong with a board."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.cli.conftest import Spoken
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.recipe.load import parse_recipe
from wavewright.running.draft import Draft, DraftedMeasurement, DraftedReading, ProposedLimit
from wavewright.waveform import Waveform

Command = Callable[..., Spoken]
ROOT = Path(__file__).parents[2]
BENCH = ROOT / "sim/bench.yaml"
FAULTY = ROOT / "sim/bench_faulty.yaml"


def places(*nodes: str) -> str:
    told = [
        f"probe {number} on {node}" if node else f"probe {number} in the air" for number, node in enumerate(nodes, 1)
    ]
    return f"P{', '.join(told)[1:]}."


def seen(wavewright: Command, *nodes: str, bench: Path = BENCH) -> Any:
    inputs = [word for number in range(1, len(nodes) + 1) for word in ("--input", number)]
    told = wavewright(
        "look", "--bench", bench, *inputs, "--place", places(*nodes), "--yes", "--json", "--patience", "3 s"
    )
    assert told.status == 0, told.stderr
    return told.json


# What a node is at rest, without the bench's supply: the board is fed by the fixture (sim/vc204.yaml).
NODES: dict[str, dict[str, Any]] = {
    "TP1": {"kind": "steady", "level": 24.0},
    "TP3": {"kind": "steady", "level": 3.3, "ripple_frequency": 340e3},
    "TP9": {"kind": "steady", "level": 3.3},
    "TP4": {"kind": "nothing"},
    "TP5": {"kind": "steady", "level": 24.0},
    "TP6": {"kind": "sine", "frequency": 12e6},
    "TP7": {"kind": "pulses", "frequency": 10e3, "duty_factor": 0.6, "low": 0.0, "high": 3.3},
    "TP20": {"kind": "nothing"},
    "": {"kind": "nothing"},
}


@pytest.mark.parametrize("nodes", [("TP1", "TP3", "TP9", "TP4"), ("TP5", "TP6", "TP7", "TP20"), ("", "")])
def test_every_node_is_named_with_its_numbers(wavewright: Command, nodes: tuple[str, ...]) -> None:
    for node, found in zip(nodes, seen(wavewright, *nodes)["inputs"], strict=True):
        truth = NODES[node]
        assert found["kind"] == truth["kind"], node
        for name, value in truth.items():
            if name != "kind":
                assert found[name] == pytest.approx(value, rel=0.03, abs=0.05), (node, name)
        if found["kind"] in ("nothing", "steady") and node != "TP3":
            assert "frequency" not in found
            assert "ripple_frequency" not in found


def test_a_line_of_text_is_read(wavewright: Command) -> None:
    (found,) = seen(wavewright, "TP10")["inputs"]
    assert (found["kind"], found["bus"], found["then"]) == ("serial", "uart", "modbus_rtu")
    assert found["options"] == {"baud": 19_200, "parity": "even"}
    assert found["said"][0] == "0x11 0x03: read holding registers 00 6B 00 02"


BUSES: dict[str, tuple[tuple[str, ...], dict[str, int]]] = {
    "i2c": (("TP12", "TP11"), {"sda": 1, "scl": 2}),
    "spi": (("TP16", "TP15", "TP14", "TP13"), {"select": 1, "clock": 4}),
    "can": (("TP18", "TP17"), {"low": 1, "high": 2}),
}


@pytest.mark.parametrize("bus", BUSES)
def test_lines_that_belong_together_are_found(wavewright: Command, bus: str) -> None:
    nodes, lines = BUSES[bus]
    found = seen(wavewright, *nodes)
    assert {one["kind"] for one in found["inputs"]} == {"serial"}
    (together,) = found["together"]
    assert together["bus"] == bus
    assert lines.items() <= together["lines"].items()
    assert set(together["lines"].values()) == set(range(1, len(nodes) + 1))
    assert together["frames"] > 0


def test_a_draft_passes_the_board_it_was_made_on_and_finds_the_faults_of_another(
    wavewright: Command, tmp_path: Path
) -> None:
    draft = tmp_path / "draft.yaml"
    place = places("TP7", "TP10", "TP3", "TP6")
    told = wavewright("look", "--bench", BENCH, "--place", place, "--yes", "--recipe", draft)
    assert told.status == 0, told.stderr
    assert wavewright("validate", draft, BENCH).status == 0
    text = draft.read_text()
    assert "# 20 shots: mean " in text
    assert "baud: 19.2 kBd, parity: even, then: modbus_rtu" in text
    good = wavewright("run", draft, "--bench", BENCH, "--yes", "--no-logbook", "--out", tmp_path / "runs")
    assert good.status == 0, good.stdout
    bad = wavewright("run", draft, "--bench", FAULTY, "--yes", "--no-logbook", "--out", tmp_path / "runs", "--json")
    assert bad.status == 1
    verdicts = {
        f"{one['name']}.{result['name']}": result["verdict"]
        for one in bad.json["measurements"]
        for result in one["results"]
    }
    failed = {name for name, verdict in verdicts.items() if verdict == "fail"}
    # the glitch of the enable line, the ripple of the rail, the wrong answer on the bus: what shows without a supply
    assert {"input1_glitches.glitches", "input2.errors", "input3.peak_to_peak"} <= failed
    assert not {name for name in failed if name.startswith("input4")}
    again = wavewright("look", "--bench", BENCH, "--place", place, "--yes", "--recipe", draft)
    assert again.status == 64
    assert draft.read_text() == text


@pytest.mark.parametrize("bus", BUSES)
def test_a_draft_of_a_bus_validates_and_passes(wavewright: Command, tmp_path: Path, bus: str) -> None:
    nodes, _ = BUSES[bus]
    draft = tmp_path / f"{bus}.yaml"
    inputs = [word for number in range(1, len(nodes) + 1) for word in ("--input", number)]
    looked = ("look", "--bench", BENCH, *inputs, "--place", places(*nodes), "--yes", "--draw", 16)
    told = wavewright(*looked, "--recipe", draft, "--shots", 5)
    assert told.status == 0, told.stderr
    draft.write_text(draft.read_text().replace("shots: 200", "shots: 3"))
    # with this draw the digitizer is armed within a transfer on I2C: its START is in the record all the same
    done = wavewright(
        "run", draft, "--bench", BENCH, "--draw", 100_016, "--yes", "--no-logbook", "--out", tmp_path / "runs"
    )
    assert done.status == 0, (bus, done.stdout)
    (measurement,) = parse_recipe(draft.read_text(), str(draft)).measurements
    timebase = measurement.timebase
    assert timebase is not None
    assert timebase.span is not None
    assert timebase.before_trigger is not None
    assert 0.45 < timebase.before_trigger.value / timebase.span.value < 0.5


def test_nothing_makes_no_recipe(wavewright: Command, tmp_path: Path) -> None:
    draft = tmp_path / "draft.yaml"
    told = wavewright("look", "--bench", BENCH, "--input", 1, "--place", places(""), "--yes", "--recipe", draft)
    assert told.status == 64
    assert "there is nothing on these inputs" in told.stderr
    assert not draft.exists()


def test_the_trace_is_drawn_and_said(wavewright: Command) -> None:
    told = wavewright("look", "--bench", BENCH, "--input", 1, "--place", "Probe 1 on TP7.", "--yes")
    assert told.stdout.startswith("input 1: pulses between ")
    assert any("\u2801" <= sign <= "\u28ff" for sign in told.stdout)


def test_outputs_stay_off(wavewright: Command, tmp_path: Path) -> None:
    """What went over the wire: no output is switched on, no voltage set."""
    log = tmp_path / "log.txt"
    import logging

    handler = logging.FileHandler(log)
    logger = logging.getLogger("wavewright")
    logger.addHandler(handler)
    try:
        wavewright("-vv", "look", "--bench", BENCH, "--input", 1, "--place", "Probe 1 on TP3.", "--yes")
    finally:
        logger.removeHandler(handler)
    said = log.read_text()
    assert "OUTP" in said.upper()
    assert not [line for line in said.upper().splitlines() if "OUTP" in line and ("ON" in line.split() or " 1" in line)]


def square(frequency: float, duty: float, *, seed: int) -> Waveform:
    generator = np.random.default_rng(seed)
    phase = (np.arange(20_000) * 1e-6 * frequency + generator.random()) % 1
    volts = np.where(phase < duty, 3.3, 0.0) + generator.normal(0, 0.02, 20_000)
    return Waveform(np.rint(volts * 30).astype(np.int8), gain=1 / 30, interval=1e-6, code_range=(-128, 127))


def test_a_pile_of_files_makes_one_table_and_names_what_is_unlike(wavewright: Command, tmp_path: Path) -> None:
    files = []
    for number in range(6):
        files.append(tmp_path / f"unit{number}.npz")
        wave = square(5e3 if number != 4 else 6e3, 0.5 if number != 2 else 0.3, seed=number)
        write_waveforms(files[-1], {"drive": wave})
    told = wavewright("look", *files, "--json")
    assert told.status == 0
    assert [one["kind"] for one in told.json] == ["clock", "clock", "pulses", "clock", "clock", "clock"]
    assert ["unlike" in one for one in told.json] == [False, False, True, False, True, False]
    table = wavewright("look", *files).stdout
    assert "most are clock" in table
    assert "frequency: of most 5.0" in table


def test_files_and_a_bench_are_not_looked_at_together(wavewright: Command, tmp_path: Path) -> None:
    told = wavewright("look", tmp_path / "a.csv", "--bench", BENCH)
    assert told.status == 64
    assert "either files or a bench" in told.stderr
    assert wavewright("look", tmp_path / "none.csv").status == 3
    assert wavewright("look", "--bench", BENCH, "--patience", "5 V").status == 64
    assert wavewright("look", "--bench", BENCH, "--input", 9, "--yes").status == 3


def test_a_board_of_ones_own_is_a_minute_away(wavewright: Command, tmp_path: Path) -> None:
    """From `examples --board` to the first reading, with another name for every node than the shipped board has."""
    mine = tmp_path / "own/mine.yaml"
    assert wavewright("examples", "--board", mine).status == 0
    assert wavewright("validate", mine, mine.parent / "mine_bench.yaml").status == 0
    mine.write_text(
        "wavewright-board: 1\ntitle: Kettle controller\nprobes_at_rest: {1: heater}\nnodes:\n"
        "  heater: {kind: pulse_train, test_point: TP1, frequency: 50 Hz, duty_factor: 25 %, high: 5 V}\n"
        "  display: {kind: bus_words, test_point: TP2, bus: uart, signal: tx, baud: 4800, every: 200 ms, "
        'words: ["98 C\\\\r\\\\n"]}\n'
    )
    found = seen(wavewright, "TP1", "TP2", bench=mine.parent / "mine_bench.yaml")["inputs"]
    assert (found[0]["kind"], found[1]["kind"]) == ("pulses", "serial")
    assert found[0]["duty_factor"] == pytest.approx(0.25, abs=0.01)
    assert found[1]["options"] == {"baud": 4800, "parity": "none"}
    assert found[1]["said"][0].startswith("98 C")
    assert wavewright("examples", "--board", mine).status == 3  # it is there already
    assert wavewright("examples").status == 64


def test_a_measurement_without_a_limit_is_left_out_of_a_draft_and_the_rest_validates() -> None:
    one = DraftedMeasurement(
        "quiet",
        "input 1: noise",
        ("channels:", "  a: {input: 1, range: 1 V}", "timebase: {span: 1 ms, rate: 1 MHz}", "trigger: {mode: auto}"),
        (DraftedReading("mean", side="both"), DraftedReading("peak_to_peak", side="upper")),
    )
    other = replace(
        one, name="other", heading="input 2: pulses", readings=(DraftedReading("runts", limit="exactly 0"),)
    )
    written = Draft("T", (one, other))
    assert written.judges
    assert not replace(written, measurements=(one,)).judges
    assert "# input 1: noise: no reading without a doubt" in written.text()
    assert [each.name for each in parse_recipe(written.text(), "draft.yaml")] == ["other"]
    assert [each.name for each in parse_recipe(written.text(trial_shots=5), "draft.yaml")] == ["quiet"]
    limits = {("quiet", "mean"): ProposedLimit("1 V .. 2 V", "20 shots")}
    assert "mean: {limit: 1 V .. 2 V}  # 20 shots" in replace(written, limits=limits).text()


def test_the_bench_is_held_while_limits_are_proposed(
    wavewright: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    held: list[str] = []

    @contextmanager
    def lock(addresses: object, *, what: str, **how: object) -> Iterator[None]:
        held.append(what)
        yield

    monkeypatch.setattr("wavewright.running.bench_lock.bench_lock", lock)
    draft = tmp_path / "draft.yaml"
    told = wavewright(
        "look", "--bench", BENCH, "--input", 1, "--place", places("TP3"), "--yes", "--recipe", draft, "--shots", 5,
        "--instrument", "digitizer=digitizer",
    )  # fmt: skip
    assert told.status == 0, told.stderr
    assert held == ["a look", "a draft"]


@pytest.mark.parametrize("named", ["nobody", "supply"])
def test_a_look_refuses_a_digitizer_as_a_run_does(wavewright: Command, named: str) -> None:
    # a bench that lacks what is asked of it is an error of the bench, status 3; 64 is for calls that make no sense
    choice = ["--bench", BENCH, "--instrument", f"digitizer={named}"]
    look = wavewright("look", "--input", 1, "--yes", *choice)
    plan = wavewright("plan", "recipes/rail_ripple.yaml", *choice)
    assert look.status == plan.status == 3
    assert look.stderr == plan.stderr
    assert f"`{named}`" in look.stderr
