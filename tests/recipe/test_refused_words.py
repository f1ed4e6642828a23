"""Recipes with a misspelt word or a senseless option, each refused with the place where that stands."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from wavewright.cli.main import execute
from wavewright.errors import FileFault
from wavewright.recipe.load import parse_recipe
from wavewright.waveform import Waveform

ROOT = Path(__file__).parents[2]
RECIPE = """\
wavewright: 1
title: Telegrams
part: VC-204
measurements:
  m:
    place: Probe 1 on TP10.
    channels: {tx: {input: 1, range: 8 V, offset: 2 V}, coil: {input: 2, range: 8 V, offset: 2 V}}
    timebase: {span: 40 ms, rate: 2.5 MHz}
    trigger: {mode: normal, on: tx, edge: falling, level: 1.65 V}
    derived: {current: coil / 0.1 ohm}
    decode: {line: {bus: uart, tx: tx, baud: 19200, parity: even, then: modbus_rtu}}
"""

REFUSED = [
    # what is added to the measurement, what stands at the place of the fault, what is said
    ("compute: {n: {metric: frame_errors, of: line, error: paritty}}", "paritty", "did you mean `parity`?"),
    ("compute: {n: {metric: frame_errors, of: line, error: pec}}", "pec", "there is no error word `pec`"),
    ("compute: {n: {metric: frames, of: line, find: 'error = \"paritty\"'}}", "error = ", "did you mean `parity`?"),
    ("compute: {n: {metric: frames, of: line, find: id between 70 and 60}}", "id between", "there is no field `id`"),
    ("compute: {n: {metric: frames, of: line, find: address between 9 and 6}}", "address between", "between 6 and 9`"),
    ("compute: {n: {metric: response_time, of: line, request: not eror}}", "eror", "did you mean `error`?"),
    ("expect: {line: {find: \"function = 3 and not eror\"}}", "eror", "did you mean `error`?"),
    ("expect: {line: {find: function = 3 and nack}}", "nack", "there is no word `nack`"),
    ("expect: {line: {find: adress = 17}}", "adress", "did you mean `address`?"),
    ("expect: {line: {find: data = 65 ms}}", "data = 65", "bytes in hex"),
    ("keep_if: {line: {find: not eror}, within: 3 shots}", "eror", "did you mean `error`?"),
    ("keep_if: {line: {find: clean and addres}, within: 3 shots}", "addres}", "there is no word `addres`"),
    ("compute: {n: {metric: rising_edges, of: tx, hysteresis: -0.1 V}}", "-0.1 V", "at least 0 V"),
    ("compute: {n: {metric: rising_edges, of: current, level: 0.5 V}}", "0.5 V", "the channel in A"),
    ("compute: {n: {metric: rise_time, of: tx, low: 90 %, high: 10 %}}", "90 %", "is not below `high`"),
    ("compute: {n: {metric: level_dbm, of: tx, impedance: 0 ohm}}", "0 ohm", "above 0 ohm"),
    ("compute: {n: {metric: eye_height, of: tx, aperture: 200 %}}", "200 %", "at most 100 %"),
    ("compute: {n: {metric: thd, of: tx, harmonics: 0}}", "0}", "at least 2"),
    ("compute: {n: {metric: time_between, of: tx, from: rising 1 A, to: falling 50 %}}", "rising 1 A", "is in A"),
    ("compute: {n: {metric: band_rms, of: tx, lowest: 2 kHz, highest: 1 kHz}}", "2 kHz", "is not below `highest`"),
]  # fmt: skip

REFUSED_DECODINGS = [
    ("bus: uart, tx: tx, baud: 0", "0}", "above 0 Bd"),
    ("bus: uart, tx: tx, baud: -9600", "-9600", "above 0 Bd"),
    ("bus: can, line: tx, bit_rate: 500 kBd, sample_point: 150 %", "150 %", "below 100 %"),
    ("bus: can, line: tx, bit_rate: 500 kBd, sample_point: 0 %", "0 %", "above 0 %"),
    ("bus: can, line: tx, bit_rate: 500 kBd, data_bit_rate: 0", "0}", "above 0 bit/s"),
    ("bus: uart, tx: tx, levels: {rx: ttl}", "rx", "there is no channel `rx`"),
    ("bus: uart, tx: tx, levels: {tx: tttl}", "{tx: tttl}", "did you mean `ttl`"),
    ("bus: can, high: tx, low: coil, levels: {high: ttl}", "{high: ttl}", "levels of the difference"),
    ("bus: spi, clock: tx, mosi: coil, gap: -1 us", "-1 us", "above 0 s"),
    ("bus: uart, tx: tx, baud: 19200, then: modbus_rtu, silence: -3 ms", "-3 ms", "above 0 s"),
    ("bus: i2c, scl: tx, sda: coil, longest_low: 0 s", "0 s", "above 0 s"),
    ("bus: uart, tx: tx, baud: 19200, data_bits: 9, then: modbus_rtu", "other", "9 data bits"),
]


def faults(text: str) -> tuple[FileFault, ...]:
    with pytest.raises(FileFault) as refused:
        parse_recipe(text, "recipe.yaml")
    return refused.value.faults or (refused.value,)


@pytest.mark.parametrize("added, at, said", REFUSED, ids=[row[0] for row in REFUSED])
def test_a_misspelt_or_senseless_word_is_a_fault_at_its_place(added: str, at: str, said: str) -> None:
    text = f"{RECIPE}    {added}\n"
    (fault,) = faults(text)
    lines = text.splitlines()
    assert (fault.where.line, fault.where.column) == (len(lines), lines[-1].rindex(at) + 1)
    assert said in str(fault)


@pytest.mark.parametrize("added, at, said", REFUSED_DECODINGS, ids=[row[0] for row in REFUSED_DECODINGS])
def test_a_senseless_option_of_a_bus_is_a_fault_at_its_place(added: str, at: str, said: str) -> None:
    text = f"{RECIPE.rpartition('    decode:')[0]}    decode: {{other: {{{added}}}}}\n"
    (fault,) = faults(text)
    lines = text.splitlines()
    assert (fault.where.line, fault.where.column) == (len(lines), lines[-1].index(at) + 1)
    assert said in str(fault)


@pytest.mark.parametrize("command", ["validate", "plan", "run", "pytest"])
def test_nothing_is_sent_for_a_recipe_with_a_misspelt_word(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "telegrams.yaml"
    path.write_text(f'{RECIPE}    expect: {{line: {{find: "function = 3 and not eror"}}}}\n')
    place = "telegrams.yaml:12:49"
    if command == "pytest":
        bench = ["--bench", str(ROOT / "sim/bench.yaml")]
        call = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *bench, str(path)]
        told = subprocess.run(call, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert told.returncode != 0
        assert place in told.stdout
        return
    monkeypatch.chdir(tmp_path)
    options = [] if command == "validate" else ["--bench", str(ROOT / "sim/bench.yaml")]
    options += ["--yes", "--out", str(tmp_path / "out")] if command == "run" else []
    assert execute([command, str(path), *options]) == 3
    told_there = capsys.readouterr()
    assert place in told_there.out + told_there.err
    assert "did you mean `error`?" in told_there.out + told_there.err
    assert not list(tmp_path.glob("out/**/*.npz"))


@pytest.mark.parametrize(
    "arguments, said",
    [
        (["decode", "--bus", "uart", "--tx", "1", "--baud", "9600", "--find", "not eror"], "did you mean `error`?"),
        (["decode", "--bus", "uart", "--tx", "1", "--baud", "0"], "above 0 Bd"),
        (["decode", "--bus", "uart", "--rx", "1"], "its lines are tx"),
        (["measure", "-m", "level_dbm", "--impedance=-50 ohm"], "above 0 ohm"),
        (["measure", "-m", "rising_edges", "--level", "0.5 A"], "`level` is in A, the channel in V"),
        (["measure", "-m", "eye_height", "--aperture", "200%"], "at most 100 %"),
    ],
)
def test_the_command_line_refuses_them_as_wrong_usage(
    arguments: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "record.csv"
    wave = Waveform.from_volts([3.3, 0.0] * 50, interval=1e-5)
    rows = "".join(f"{wave.time_of(place)!r},{volt}\n" for place, volt in enumerate(wave.values(0, len(wave))))
    file.write_text(f"time (s),tx (V)\n{rows}")
    assert execute([arguments[0], str(file), *arguments[1:]]) == 64
    assert said in capsys.readouterr().err


def test_a_bench_given_for_a_recipe_is_told_so() -> None:
    with pytest.raises(FileFault, match="this is a bench file") as refused:
        parse_recipe((ROOT / "sim/bench.yaml").read_text(), "bench.yaml")
    assert "--bench bench.yaml" in str(refused.value)
    assert len(refused.value.faults or (refused.value,)) == 1


@pytest.mark.parametrize(
    "added, said",
    [
        ("metrics: {n: {metric: mean, of: tx}}", "did you mean `compute`?"),
        ("compute: {n: {metric: peak_to_peak, of: tx, limits: at most 1 V}}", "did you mean `limit`?"),
        ("compute: {n: {metric: pk2pk, of: tx}}", "did you mean `peak_to_peak`?"),
        ("compute: {n: {metric: glitches, of: tx, width: 1,5 ms}}", "write a decimal point"),
        ("stimulus: [{supply: {output: off}, then_wait: 1,5 ms}]", "write a decimal point"),
        ("compute: {n: {metric: mean, of: tx, limit: 1e308 V ± 1e308 %}}", "reaches beyond all numbers"),
    ],
)
def test_what_people_write_is_answered_with_what_they_mean(added: str, said: str) -> None:
    assert any(said in str(fault) for fault in faults(f"{RECIPE}    {added}\n"))


@pytest.mark.parametrize(
    "change, place, said",
    [
        (("input: 1, range: 8 V", "input: 9, range: 8 V"), "7:", "channel `tx` is on input 9"),
        (("voltage: 24 V", "voltage: 27 V"), "12:35", "at most 26 V, the ceiling of the bench"),
    ],
)
def test_a_recipe_and_a_bench_that_do_not_fit_are_told_together(
    change: tuple[str, str], place: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = f"{RECIPE}    stimulus: [{{supply: {{voltage: 24 V, current_limit: 1 A, output: on}}}}]\n"
    path = tmp_path / "telegrams.yaml"
    path.write_text(text)
    bench = str(ROOT / "sim/bench.yaml")
    assert execute(["validate", str(path), bench]) == 0
    path.write_text(text.replace(*change, 1))
    assert execute(["validate", str(path)]) == 0
    assert execute(["validate", str(path), bench]) == 3
    told = capsys.readouterr().err
    assert f"telegrams.yaml:{place}" in told
    assert said in told
