"""The board's buses, read back by the decoders, which share no line of code with the encoders."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from tests.simulation.conftest import SIM
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.decode import decode
from wavewright.buses.frame_metrics import measure_decoded
from wavewright.buses.line.logic import line_of
from wavewright.buses.line.logic_levels import LogicLevels
from wavewright.errors import WavewrightError
from wavewright.simulation.circuit.board import Board, load_board
from wavewright.simulation.circuit.bus_lines import BusLine
from wavewright.simulation.circuit.conversations import REGISTER, REGISTERS, SENSOR, UNIT
from wavewright.simulation.circuit.surroundings import UNLOADED, Feed, Load, Surroundings
from wavewright.waveform import Waveform

PROBE = Load(10e6, 12e-12)


def board(folder: Path | None = None, **wrong_every: int) -> Board:
    if folder is None:
        return load_board(SIM / "vc204.yaml", Surroundings(), seed=204)
    text = (SIM / "vc204.yaml").read_text(encoding="utf-8")
    for says, every in wrong_every.items():
        text = text.replace(f"says: {says}", f"says: {says}\n    wrong_every: {every}")
    (folder / "board.yaml").write_text(text, encoding="utf-8")
    return load_board(folder / "board.yaml", Surroundings(), seed=204)


def waves(built: Board, start: float, interval: float, count: int, **names: str) -> dict[str, Waveform]:
    return {
        role: Waveform.from_volts(
            built.nodes[name].motion(start, start + count * interval, PROBE).sampled(start, interval, count),
            interval=interval,
            name=name,
        )
        for role, name in names.items()
    }


def characters(built: Board, number: int) -> list[int]:
    found = decode(waves(built, number - 1e-3, 1e-6, 20_000, tx="tx"), "uart", baud=19200, parity="even")
    assert not [frame for frame in found if frame.errors]
    return [int(frame.fields["data"]) for frame in found]  # type: ignore[call-overload]


def crc(message: list[int]) -> int:
    """CRC of Modbus RTU bit by bit (Modbus over serial line V1.02, appendix B, from memory, not verified)."""
    remainder = 0xFFFF
    for byte in message:
        remainder ^= byte
        for _ in range(8):
            remainder = remainder >> 1 ^ (0xA001 if remainder & 1 else 0)
    return remainder


def test_a_message_and_its_answer_are_on_the_line() -> None:
    said = characters(board(), 2)
    request, answer = said[:8], said[8:]
    assert request[:6] == [UNIT, 3, *REGISTER.to_bytes(2, "big"), *REGISTERS.to_bytes(2, "big")]
    assert answer[:3] == [UNIT, 3, 2 * REGISTERS]
    assert crc(request) == crc(answer) == 0, "a message with its own CRC after it leaves 0 (math)"


def test_one_answer_in_40_is_wrong_when_that_is_ordered(tmp_path: Path) -> None:
    built = board(tmp_path, modbus=40)
    line = built.nodes["tx"]
    assert isinstance(line, BusLine)
    wrong = [number for number in range(4000) if line.conversation.is_wrong(number)]
    assert len(wrong) == pytest.approx(100, abs=4 * math.sqrt(100))  # binomial, four standard deviations
    assert crc(characters(built, wrong[0])[8:]) != 0
    assert crc(characters(built, wrong[0] + 1)[8:]) == 0 or wrong[1] == wrong[0] + 1


def test_the_sensor_answers_on_i2c() -> None:
    found = decode(waves(board(), 1.99999, 1e-7, 10_000, scl="scl", sda="sda"), "i2c")
    assert [(frame.fields["address"], frame.fields["read"]) for frame in found] == [(SENSOR, False), (SENSOR, True)]
    assert not [frame for frame in found if frame.errors]


def test_a_probe_slows_the_open_drain_lines_down() -> None:
    # math: ln 9 · R · C, 4.7 kΩ with 80 pF; 12 pF more with a probe
    scl = board().nodes["scl"]
    for load, capacitance in ((UNLOADED, 80e-12), (Load(math.inf, 12e-12), 92e-12)):
        volts = scl.motion(2.0, 2.001, load).sampled(2.0, 1e-9, 40_000)
        low = int(np.flatnonzero((volts[:-1] < 0.33) & (volts[1:] >= 0.33))[0])
        rise = int(np.flatnonzero(volts[low:] >= 0.9 * 3.3)[0]) * 1e-9
        assert rise == pytest.approx(math.log(9) * 4.7e3 * capacitance, abs=3e-9)


def test_the_conversion_is_on_spi() -> None:
    lines = waves(board(), 1.99999, 2e-8, 5000, clock="sclk", mosi="mosi", miso="miso", select="cs")
    found = decode(lines, "spi")
    assert found
    assert not [frame for frame in found if frame.errors]


def test_the_frame_is_on_can_and_its_two_wires_mirror_each_other() -> None:
    built = board()
    high, low = (built.nodes[name].motion(2.0, 2.001, PROBE).sampled(2.0, 1e-7, 10_000) for name in ("can_h", "can_l"))
    assert high + low == pytest.approx(np.full(10_000, 5.0), abs=1e-3)
    assert np.ptp(high - low) == pytest.approx(2.0, abs=0.01)


def impaired(folder: Path, **keys: str) -> Board:
    """The board with keys added to its bus lines, by what they say or, with an underscore, by their signal."""
    text = (SIM / "vc204.yaml").read_text(encoding="utf-8")
    for word, added in keys.items():
        kind = f"signal: {word[1:]}" if word.startswith("_") else f"says: {word}"
        text = text.replace(f"    {kind}\n", f"    {kind}\n    {added}\n")
    (folder / "board.yaml").write_text(text, encoding="utf-8")
    return load_board(folder / "board.yaml", Surroundings(), seed=204)


def test_a_sender_may_be_too_fast(tmp_path: Path) -> None:
    for error in (-0.02, 0.015):
        built = impaired(tmp_path, modbus=f"rate_error: {100 * error} %")
        found = decode(waves(built, 1.999, 1e-6, 20_000, tx="tx"), "uart", baud=19200, parity="even", then="modbus_rtu")
        assert [frame.errors for frame in found] == [(), ()]
        assert found.facts["bit_rate"] / 19200 - 1 == pytest.approx(error, abs=1e-3)


def test_edges_may_jitter_and_do_so_the_same_way_each_time(tmp_path: Path) -> None:
    calm, built = board(), impaired(tmp_path, i2c="jitter: 100 ns")
    lines = {"interval": 2e-8, "count": 20_000, "scl": "scl", "sda": "sda"}
    still, shaken, again = (waves(one, 1.99999, **lines)["scl"] for one in (calm, built, built))  # type: ignore[arg-type]
    assert (shaken.codes == again.codes).all()
    moved = line_of(shaken, LogicLevels(1.0, 2.3)).falling - line_of(still, LogicLevels(1.0, 2.3)).falling
    assert moved.size > 25
    assert moved.std(ddof=1) == pytest.approx(100e-9, rel=4 / math.sqrt(2 * moved.size))  # four standard deviations
    found = decode(waves(built, 1.99999, 1e-7, 10_000, scl="scl", sda="sda"), "i2c")
    assert [frame.errors for frame in found] == [(), ()]


def test_a_line_may_be_later_than_the_others(tmp_path: Path) -> None:
    # math: data that are 300 ns late have 300 ns less setup time and as much more hold time
    names = {"clock": "sclk", "mosi": "mosi", "miso": "miso", "select": "cs"}
    readings = [
        measure_decoded(BusRecord(waves(built, 1.99999, 1e-8, 10_000, **names), "spi"), metric, data="miso").value
        for built in (board(), impaired(tmp_path, _miso="skew: 300 ns"))
        for metric in ("setup_time", "hold_time")
    ]
    assert readings[2] == pytest.approx(readings[0] - 300e-9, abs=2e-8)
    assert readings[3] == pytest.approx(readings[1] + 300e-9, abs=2e-8)


def test_a_line_cannot_be_earlier_than_the_conversation(tmp_path: Path) -> None:
    with pytest.raises(WavewrightError, match="`-300 ns`"):
        impaired(tmp_path, _miso="skew: -300 ns")


def test_lines_are_dead_while_the_rail_is_down() -> None:
    around = Surroundings()
    built = load_board(SIM / "vc204.yaml", around, seed=204)
    around.feed.become(1.0, Feed(is_standby=False))
    assert np.abs(built.nodes["tx"].motion(2.0, 2.01, PROBE).sampled(2.0, 1e-6, 10_000)).max() == 0.0
