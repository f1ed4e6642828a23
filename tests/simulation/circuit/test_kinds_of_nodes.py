"""Nodes of which any board can be built, against closed forms that are worked out here."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.simulation.conftest import SIM
from wavewright.buses.decode import decode
from wavewright.errors import FileFault
from wavewright.simulation.circuit.board import Board, load_board
from wavewright.simulation.circuit.nodes import node_kinds
from wavewright.simulation.circuit.surroundings import UNLOADED, Feed, Load, Surroundings
from wavewright.waveform import Waveform

HEAD = "wavewright-board: 1\ntitle: T\nprobes_at_rest: {1: x}\nnodes:\n"
Volts = np.ndarray[Any, np.dtype[np.float64]]


def board(folder: Path, *lines: str, seed: int = 7) -> tuple[Board, Surroundings]:
    path, around = folder / "board.yaml", Surroundings()
    path.write_text(HEAD + "".join(f"  {line}\n" for line in lines))
    return load_board(path, around, seed=seed), around


def volts(node: Any, start: float, interval: float, count: int, *, load: Load = UNLOADED) -> Volts:
    found: Volts = node.motion(start, start + count * interval, load).sampled(start, interval, count)
    return found


def test_a_sine_and_its_harmonics(tmp_path: Path) -> None:
    built, _ = board(tmp_path, "x: {kind: sine, frequency: 1 kHz, amplitude: 2 V, offset: 1 V, third_harmonic: 20 mV}")
    t = 0.5 + np.arange(4000) * 1e-6
    wanted = 1 + 2 * np.sin(2 * np.pi * 1e3 * t) + 0.02 * np.sin(2 * np.pi * 3e3 * t)
    assert volts(built.nodes["x"], 0.5, 1e-6, 4000) == pytest.approx(wanted, abs=1e-9)
    assert built.nodes["x"].truth()["thd"] == pytest.approx(0.01)


def test_a_probe_divides_what_a_source_resistance_lets_through(tmp_path: Path) -> None:
    built, _ = board(tmp_path, "x: {kind: steady, level: 3 V, source_resistance: 1 Mohm}")
    assert volts(built.nodes["x"], 1.0, 1e-3, 10, load=Load(10e6)) == pytest.approx(3 * 10 / 11)


def test_a_ripple_is_a_triangle_of_its_height(tmp_path: Path) -> None:
    built, _ = board(tmp_path, "x: {kind: steady, level: 5 V, ripple: 30 mV, ripple_frequency: 10 kHz}")
    seen = volts(built.nodes["x"], 1.0, 1e-7, 100_000)
    assert np.ptp(seen) == pytest.approx(0.03, rel=2e-3)
    assert seen.mean() == pytest.approx(5.0, abs=1e-5)
    assert seen.std() == pytest.approx(0.03 / math.sqrt(12), rel=1e-3)  # of a triangle (math)


def test_pulses_have_their_period_and_duty(tmp_path: Path) -> None:
    built, _ = board(
        tmp_path, "x: {kind: pulse_train, frequency: 2 kHz, duty_factor: 30 %, low: 1 V, high: 4 V, transition: 1 us}"
    )
    seen = volts(built.nodes["x"], 0.25, 1e-7, 200_000)
    assert (seen > 2.5).mean() == pytest.approx(0.3, abs=3e-4)  # a sample of 5000 either way
    rises = np.flatnonzero(np.diff((seen > 2.5).astype(int)) == 1)
    assert np.diff(rises) == pytest.approx(5000, abs=1.01)
    assert (seen.min(), seen.max()) == pytest.approx((1.0, 4.0))


def test_many_pulses_are_the_same_ones(tmp_path: Path) -> None:
    """A record of a million periods is drawn from harmonics: it agrees with the edges within their ripple."""
    built, _ = board(
        tmp_path, "x: {kind: pulse_train, frequency: 1 MHz, duty_factor: 40 %, high: 5 V, transition: 60 ns}"
    )
    node = built.nodes["x"]
    long = node.motion(0.0, 1.0, UNLOADED).sampled(0.1, 7e-9, 3000)
    short = node.motion(0.1, 0.1 + 21e-6, UNLOADED).sampled(0.1, 7e-9, 3000)
    assert np.abs(long - short).max() < 0.15
    assert np.sqrt(np.mean((long - short) ** 2)) < 0.02


def test_jitter_scatters_the_edges_and_rare_faults_are_rare(tmp_path: Path) -> None:
    built, _ = board(
        tmp_path,
        "x: {kind: pulse_train, frequency: 10 kHz, high: 1 V, transition: 1 ns, jitter: 300 ns, missing_every: 100}",
        "y: {kind: pulse_train, frequency: 10 kHz, high: 1 V, runt_every: 50, glitch_every: 200, glitch_width: 2 us}",
    )
    seen = volts(built.nodes["x"], 0.0, 2e-8, 10_000_000) > 0.5
    rises = np.flatnonzero(np.diff(seen.astype(int)) == 1) * 2e-8
    assert 1950 < rises.size < 1998  # of 2000, one in 100 is missing
    off = (rises + 5e-5) % 1e-4 - 5e-5
    assert off.std() == pytest.approx(300e-9, rel=0.08)
    other = volts(built.nodes["y"], 0.0, 1e-7, 2_000_000)
    high = np.flatnonzero(np.diff((other > 0.75).astype(int)) == 1)
    half = np.flatnonzero(np.diff((other > 0.25).astype(int)) == 1)
    assert 20 <= half.size - high.size <= 60  # runts: about one in 50 of 2000
    assert high.size > 1900
    again = volts(built.nodes["y"], 0.1, 1e-7, 1_000_000)
    assert again == pytest.approx(other[1_000_000:], abs=1e-7)  # whenever one looks, it is the same


def test_a_modulated_width_follows_its_sine(tmp_path: Path) -> None:
    built, _ = board(
        tmp_path, "x: {kind: pwm, frequency: 10 kHz, duty_factor: 50 %, swing: 30 %, modulation: 50 Hz, high: 1 V}"
    )
    seen = volts(built.nodes["x"], 0.0, 1e-7, 200_000).reshape(200, 1000) > 0.5
    wanted = 0.5 + 0.3 * np.sin(2 * np.pi * 50 * np.arange(200) * 1e-4)
    assert seen.mean(axis=1) == pytest.approx(wanted, abs=2e-3)


def test_a_burst_has_its_pulses_and_its_pause(tmp_path: Path) -> None:
    built, _ = board(tmp_path, "x: {kind: burst, frequency: 40 kHz, cycles: 8, every: 10 ms, high: 1 V}")
    seen = volts(built.nodes["x"], 0.02, 1e-7, 300_000) > 0.5
    rises = np.flatnonzero(np.diff(seen.astype(int)) == 1) * 1e-7
    assert rises.size in (23, 24)
    node = built.nodes["x"]
    assert node.quiet_until(0.021) == pytest.approx(0.03, abs=1e-6)
    assert node.quiet_until(0.0301) == 0.0301


def test_a_step_charges_with_its_time_constant(tmp_path: Path) -> None:
    built, _ = board(
        tmp_path,
        "x: {kind: step, low: 1 V, high: 5 V, every: 100 ms, lasting: 60 ms, time_constant: 4 ms}",
    )
    t = np.arange(50_000) * 1e-6
    wanted = 1 + 4 * (1 - np.exp(-t / 4e-3))
    assert volts(built.nodes["x"], 0.3, 1e-6, 50_000) == pytest.approx(
        wanted, abs=2e-4
    )  # 10 time constants after it fell
    falling = 1 + 4 * np.exp(-t[:30_000] / 4e-3)
    assert volts(built.nodes["x"], 0.36, 1e-6, 30_000) == pytest.approx(falling, abs=2e-3)


def test_noise_has_its_strength_its_band_and_no_memory_of_when_one_looks(tmp_path: Path) -> None:
    built, _ = board(tmp_path, "x: {kind: noise, rms: 50 mV, level: 1 V, bandwidth: 100 kHz, source_resistance: 0 ohm}")
    node = built.nodes["x"]
    seen = volts(node, 1.0, 2e-7, 1_000_000)
    assert seen.mean() == pytest.approx(1.0, abs=1e-3)
    assert seen.std() == pytest.approx(0.05, rel=0.02)
    kurtosis = ((seen - seen.mean()) ** 4).mean() / seen.var() ** 2
    # between two levels the variance falls to a half: 3 · (7/15)/(2/3)² (math)
    assert kurtosis == pytest.approx(3.15, abs=0.05)
    power = np.abs(np.fft.rfft(seen - seen.mean())) ** 2
    frequency = np.fft.rfftfreq(seen.size, 2e-7)
    assert power[frequency < 400e3].sum() > 0.98 * power.sum()
    assert volts(node, 1.05, 2e-7, 1000) == pytest.approx(seen[250_000:251_000], abs=1e-9)


def test_a_low_pass_and_a_divider_of_another_node(tmp_path: Path) -> None:
    built, _ = board(
        tmp_path,
        "x: {kind: sine, frequency: 1 kHz, amplitude: 1 V, source_resistance: 0 ohm}",
        "low: {kind: rc, of: x, resistance: 10 kohm, capacitance: 15.9154943 nF}",
        "part: {kind: divider, of: x, upper: 30 kohm, lower: 10 kohm}",
    )
    # corner 1/(2π R C) = 1000 Hz: amplitude 1/√2, phase −45° (math)
    t = 1.0 + np.arange(5000) * 1e-6
    wanted = math.sqrt(0.5) * np.sin(2 * np.pi * 1e3 * t - math.pi / 4)
    assert volts(built.nodes["low"], 1.0, 1e-6, 5000) == pytest.approx(wanted, abs=1e-6)
    assert np.ptp(volts(built.nodes["part"], 1.0, 1e-6, 5000)) == pytest.approx(0.5, rel=1e-5)
    # a 10 Mohm probe in parallel with 7.5 kohm
    assert np.ptp(volts(built.nodes["part"], 1.0, 1e-6, 5000, load=Load(7500.0))) == pytest.approx(0.25, rel=1e-5)


def test_a_recorded_voltage_is_played_again_and_again(tmp_path: Path) -> None:
    (tmp_path / "one.csv").write_text("# invented\nseconds,volts\n0,0\n1e-3,2\n2e-3,1\n")
    built, _ = board(tmp_path, "x: {kind: recorded, file: one.csv, every: 10 ms, source_resistance: 0 ohm}")
    t = np.arange(20_000) * 1e-6
    wanted = np.interp(t % 1e-2, [0, 1e-3, 2e-3, 1e-2], [0, 2, 1, 1])
    seen = volts(built.nodes["x"], 0.05, 1e-6, 20_000)
    inside = (t % 1e-2 > 2e-6) & (t % 1e-2 < 1e-2 - 2e-6)  # and not in the step back to the beginning
    assert np.abs(seen - wanted)[inside].max() < 3e-3


def test_a_formula_is_computed_and_nothing_else(tmp_path: Path) -> None:
    built, _ = board(
        tmp_path,
        'x: {kind: formula, volts: "1 + 0.5 * sin(2 * pi * 100 * t) * (t < 0.005) + max(0, t - 0.008) ** 2", '
        "step: 2 us, every: 10 ms, source_resistance: 0 ohm}",
    )
    t = np.arange(10_000) * 1e-6
    wanted = 1 + 0.5 * np.sin(2 * np.pi * 100 * t) * (t < 0.005) + np.maximum(0, t - 0.008) ** 2
    assert volts(built.nodes["x"], 0.02, 1e-6, 10_000) == pytest.approx(wanted, abs=1e-3)


@pytest.mark.parametrize(
    "formula, words",
    [
        ("__import__('os').system('true')", "unknown function|in a formula"),
        ("t.real", "in a formula"),
        ("[t for t in (1,)]", "in a formula"),
        ("sinn(t)", "did you mean `sin`"),
        ("2 * pii", "did you mean `pi`"),
        ("sin(t, t)", "`sin` with 2 values"),
        ("1 / t", "has no value at t = 0 s"),
        ("1 +", "is not a formula"),
        ("9 ** 9 ** 9 ** 9", "cannot be computed|has no value"),
        ("(lambda: 1)()", "in a formula"),
        ("'text'", "in a formula"),
    ],
)
def test_what_is_no_formula_is_refused_with_its_place(tmp_path: Path, formula: str, words: str) -> None:
    with pytest.raises(FileFault, match=words) as caught:
        board(tmp_path, f'x: {{kind: formula, volts: "{formula}", step: 1 us, every: 1 ms}}')
    assert "board.yaml:5:" in str(caught.value)


def drawn(node: Any, seconds: float, interval: float) -> Waveform:
    return Waveform.from_volts(volts(node, 0.0595, interval, int(seconds / interval)), interval=interval)


def test_given_words_are_said(tmp_path: Path) -> None:
    common = "every: 20 ms, high: 5 V"
    built, _ = board(
        tmp_path,
        'x: {kind: bus_words, bus: uart, signal: tx, words: ["Hi\\n", "hex 00 FF"], parity: odd, ' + common + "}",
        'scl: {kind: bus_words, bus: i2c, signal: scl, words: ["0x48 write 00", "0x48 read 19 80"], ' + common + "}",
        'sda: {kind: bus_words, bus: i2c, signal: sda, words: ["0x48 write 00", "0x48 read 19 80"], ' + common + "}",
        'can: {kind: bus_words, bus: can, signal: bus, words: ["0x2A4 38 03", "0x1ABCDEF0"], ' + common + "}",
        'lin: {kind: bus_words, bus: lin, signal: line, words: ["0x12 01 02 FF"], ' + common + "}",
        'clk: {kind: bus_words, bus: spi, signal: clock, mode: 3, words: ["A5 00 / 00 2B"], ' + common + "}",
        'mosi: {kind: bus_words, bus: spi, signal: mosi, mode: 3, words: ["A5 00 / 00 2B"], ' + common + "}",
        'miso: {kind: bus_words, bus: spi, signal: miso, mode: 3, words: ["A5 00 / 00 2B"], ' + common + "}",
        'cs: {kind: bus_words, bus: spi, signal: select, mode: 3, words: ["A5 00 / 00 2B"], ' + common + "}",
    )
    nodes = built.nodes
    text = decode({"tx": drawn(nodes["x"], 0.02, 2e-6)}, "uart", baud="9600 Bd", parity="odd")
    assert bytes(frame["data"] for frame in text) == b"Hi\n\x00\xff"
    transfers = decode({name: drawn(nodes[name], 0.01, 2e-7) for name in ("scl", "sda")}, "i2c")
    said = [(frame["address"], frame["read"], bytes(frame["data"])) for frame in transfers]
    assert said == [(0x48, False, b"\x00"), (0x48, True, b"\x19\x80")]
    messages = decode({"line": drawn(nodes["can"], 0.02, 1e-7)}, "can", bit_rate="500 kBd")
    assert [(frame["identifier"], bytes(frame["data"]), frame.errors) for frame in messages] == [
        (0x2A4, b"\x38\x03", ()),
        (0x1ABCDEF0, b"", ()),
    ]
    (frame,) = decode({"line": drawn(nodes["lin"], 0.02, 2e-6)}, "lin")
    assert (frame["identifier"], bytes(frame["data"]), frame["model"]) == (0x12, b"\x01\x02\xff", "enhanced")
    assert not frame.errors
    lines = {"clock": "clk", "mosi": "mosi", "miso": "miso", "select": "cs"}
    words = decode({role: drawn(nodes[name], 0.001, 2e-8) for role, name in lines.items()}, "spi", mode=3)
    assert [(frame["mosi"], frame["miso"]) for frame in words if not frame.errors] == [(0xA5, 0x00), (0x00, 0x2B)]


@pytest.mark.parametrize(
    "entry, words",
    [
        ('bus: uart, signal: rx, words: ["a"]', "one of tx"),
        ('bus: i2c, signal: sda, words: ["0x80 write 00"]', "an address, from 0 to 0x7f"),
        ('bus: i2c, signal: sda, words: ["0x48 say 00"]', "0x2D write 31"),
        ('bus: can, signal: bus, words: ["0x12 1"]', "two hexadecimal digits"),
        ('bus: can, signal: bus, words: ["0x12 00 01 02 03 04 05 06 07 08"]', "at most 8"),
        ('bus: spi, signal: mosi, words: ["A5 / 00 11"]', "as many words"),
        ('bus: uart, signal: tx, baud: 300, words: ["far too long for it"]', "`every` above that"),
        ('bus: uart, signal: tx, words: [""]', "not a text"),
    ],
)
def test_words_that_cannot_be_said_are_refused(tmp_path: Path, entry: str, words: str) -> None:
    with pytest.raises(FileFault, match=words):
        board(tmp_path, f"x: {{kind: bus_words, {entry}, every: 20 ms}}")


def test_nothing_is_there_without_power(tmp_path: Path) -> None:
    built, around = board(
        tmp_path,
        "feed: {kind: feed, standby_feed: 24 V, board_resistance: 100 ohm, rise: 1 ms, fall: 1 ms}",
        "x: {kind: sine, frequency: 1 kHz, amplitude: 1 V, offset: 2 V, fed_by: feed}",
        'y: {kind: bus_words, bus: uart, signal: tx, words: ["a"], every: 10 ms, fed_by: feed}',
    )
    around.feed.become(2.0, Feed(0.0, 1.0, False, False))
    for name in ("x", "y"):
        assert np.ptp(volts(built.nodes[name], 1.0, 1e-5, 2000)) > 1
        assert not volts(built.nodes[name], 3.0, 1e-5, 2000).any()
    with pytest.raises(FileFault, match="powers nothing"):
        board(tmp_path, "x: {kind: sine, frequency: 1 kHz, amplitude: 1 V}", "y: {kind: steady, level: 1 V, fed_by: x}")


def test_the_shipped_board_has_a_node_of_each_kind_that_any_board_is_built_from() -> None:
    built = load_board(SIM / "one_of_each.yaml", Surroundings(), seed=204)
    own = {"feed", "buck_rail", "open_drain_reset", "half_bridge", "coil_terminal", "crystal", "enable_line"}
    own |= {"bus_line", "source_terminal"}
    here = {name for name, make in node_kinds().items() for node in built.nodes.values() if node.__class__ is make}
    assert here == set(node_kinds()) - own
    for name, node in built.nodes.items():
        seen = volts(node, 1.0, 1e-6, 50_000)
        low, high = node.reach(1.0, 1.05)
        assert np.isfinite(seen).all(), name
        assert low - 1e-6 <= seen.min() <= seen.max() <= high + 1e-6, name
