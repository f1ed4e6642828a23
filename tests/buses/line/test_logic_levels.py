from __future__ import annotations

import numpy as np
import pytest

from tests.buses.wires import uart_of, wave
from wavewright.buses.decode import decode
from wavewright.buses.line.logic import Line, difference, line_of
from wavewright.buses.line.logic_levels import AUTO, LogicLevels
from wavewright.errors import Misuse, NotMeasurable
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.spi import spi_lines
from wavewright.simulation.encoders.uart import uart_line
from wavewright.waveform import Waveform

LEVELS = [
    ("ttl", 0.8, 2.0, "TTL family; JESD8C.01 keeps the inputs"),
    ("lvttl", 0.8, 2.0, "JEDEC JESD8C.01"),
    ("lvcmos33", 0.8, 2.0, "JEDEC JESD8C.01"),
    ("lvcmos25", 0.7, 1.7, "JEDEC JESD8-5A, normal range"),
    ("lvcmos18", 0.63, 1.17, "JEDEC JESD8-7A: factors 0.35 and 0.65 from memory, not verified"),
    ("lvcmos15", 0.525, 0.975, "JESD8-11: 0.35 and 0.65 of 1.5 V"),
    ("lvcmos12", 0.42, 0.78, "JESD8-12A: 0.35 and 0.65 of 1.2 V"),
    ("cmos 5 V", 1.5, 3.5, "JESD7A (from memory): 0.3 and 0.7 of the supply"),
    ("i2c 3.3 V", 0.99, 2.31, "UM10204, table 10: 0.3 and 0.7 of the supply"),
    ("cmos 2.5V", 0.75, 1.75, "JESD7A (from memory): 0.3 and 0.7 of the supply"),
    ("cmos 1.8 V", 0.54, 1.26, "JESD7A (from memory): 0.3 and 0.7 of the supply"),
    ("rs232", -3.0, 3.0, "TIA-232-F, ITU-T V.28; from memory, not verified"),
    ("rs485", -0.2, 0.2, "TIA-485-A; from memory, not verified"),
    ("rs485 differential", -0.2, 0.2, "TIA-485-A; from memory, not verified"),
    ("can", 0.5, 0.9, "ISO 11898-2; from memory, not verified"),
    ("lin 12 V", 4.8, 7.2, "LIN 2.x physical layer: 0.4 and 0.6 of VSUP; from memory, not verified"),
]


@pytest.mark.parametrize("text, low, high, source", LEVELS, ids=[row[0] for row in LEVELS])
def test_a_family_has_its_published_input_levels(text: str, low: float, high: float, source: str) -> None:
    levels = LogicLevels.read(text)
    assert (levels.low, levels.high) == pytest.approx((low, high)), source


def test_levels_are_two_voltages_or_auto_as_well() -> None:
    assert LogicLevels.read("0.8 V / 2 V") == LogicLevels(0.8, 2.0)
    assert LogicLevels.read("800 mV .. 2.0 V") == LogicLevels(0.8, 2.0)
    assert LogicLevels.read((0.8, 2.0)) == LogicLevels(0.8, 2.0)
    assert LogicLevels.read(["0.8 V", "2.0 V"]) == LogicLevels(0.8, 2.0)
    assert LogicLevels.read("auto").is_auto


@pytest.mark.parametrize(
    "given, expected",
    [
        ("lvcmos3", "did you mean `lvcmos33`"),
        ("cmos", "the supply too"),
        ("ttl 5 V", "the levels are fixed"),
        ("2 V / 0.8 V", "the low threshold first"),
        (3.3, "a family, two voltages, or `auto`"),
    ],
)
def test_levels_that_make_no_sense_are_refused_with_what_would(given: object, expected: str) -> None:
    with pytest.raises(Misuse, match=expected):
        LogicLevels.read(given)


@pytest.mark.parametrize("gain", [0.01, -0.01])
def test_a_ramp_changes_state_exactly_at_the_two_thresholds(gain: float) -> None:
    # decoder rule: VIH on the way up, VIL on the way down (common practice, no source); 1 V/s
    up = np.arange(0, 331)
    codes = np.concatenate([up, up[-2::-1]]).astype(np.int16)
    line = line_of(
        Waveform(codes if gain > 0 else -codes, gain=gain, interval=0.01), LogicLevels(0.8 + 1e-4, 2.0 - 1e-4)
    )
    assert not line.first
    assert line.times == pytest.approx([2.0, 3.3 + (3.3 - 0.8)], abs=2e-4)


def test_an_excursion_that_stays_inside_the_band_changes_nothing() -> None:
    volts = [0.0, 0.0, 1.9, 0.9, 1.9, 0.0, 3.3, 1.0, 1.9, 0.9, 3.3, 0.0]
    line = line_of(Waveform.from_volts(volts, interval=1.0), LogicLevels.read("ttl"))
    assert np.ceil(line.times).tolist() == [6.0, 11.0]


def test_one_threshold_is_a_comparator_without_hysteresis() -> None:
    volts = [0.0, 1.0, 2.0, 1.0, 0.5, 1.0, 0.0]
    line = line_of(Waveform.from_volts(volts, interval=1.0), LogicLevels(1.0, 1.0))
    assert line.times.tolist() == [1.0, 3.0, 5.0, 5.0]


def test_a_record_that_begins_between_the_thresholds_is_in_the_state_it_reaches_first() -> None:
    line = line_of(Waveform.from_volts([1.5, 1.4, 3.3, 0.0], interval=1.0), LogicLevels.read("ttl"))
    assert line.first
    assert line.times.size == 1


def test_an_invalid_sample_keeps_the_state() -> None:
    volts = [0.0, np.nan, 0.0, 3.3, np.nan, 3.3, np.nan, 0.0]
    line = line_of(Waveform.from_volts(volts, interval=1.0), LogicLevels.read("ttl"))
    assert np.ceil(line.times).tolist() == [3.0, 7.0]


@pytest.mark.parametrize("dtype", [np.int8, np.uint8, np.int16, np.float32, np.float64])
def test_the_type_of_the_codes_does_not_matter(dtype: type) -> None:
    generator = np.random.default_rng(3)
    levels = np.repeat(generator.integers(0, 2, 300), 7) * 80 + generator.integers(0, 9, 2100)
    expected = line_of(Waveform(levels.astype(np.int64), gain=0.04, interval=1.0), LogicLevels.read("ttl"))
    line = line_of(Waveform(levels.astype(dtype), gain=0.04, interval=1.0), LogicLevels.read("ttl"))
    assert line.first == expected.first
    assert line.times == pytest.approx(expected.times)


def test_thresholds_beyond_every_code_leave_the_line_still() -> None:
    codes = np.array([-128, 127, -128], dtype=np.int8)
    assert line_of(Waveform(codes, gain=0.01, interval=1.0), LogicLevels(2.0, 3.0)).times.size == 0


def test_state_changes_are_the_same_as_those_of_a_sample_by_sample_comparator() -> None:
    # given noise about both thresholds, in blocks and across their ends
    codes = np.random.default_rng(5).integers(-60, 61, 400_000).astype(np.int8)
    line = line_of(Waveform(codes, interval=1.0), LogicLevels(-20.0, 20.0))
    state, changes = None, []
    for index, code in enumerate(codes.tolist()):
        wanted = True if code >= 20 else False if code <= -20 else state
        if state is not None and wanted != state:
            changes.append(index)
        state = wanted
    assert np.ceil(line.times - 1e-9).astype(int).tolist() == changes


def test_auto_takes_its_thresholds_from_the_state_levels() -> None:
    low, high = AUTO.of(Waveform.from_volts([1.0] * 50 + [2.0] * 50, interval=1.0))
    assert (low, high) == pytest.approx((1.4, 1.6), abs=0.01)


@pytest.mark.parametrize("level", [0.0, 3.3])
def test_a_line_that_never_changes_says_nothing_whatever_its_level(level: float) -> None:
    flat = Waveform.from_volts([level] * 1000, interval=1e-6)
    for bus in ("uart", "lin", "can", "onewire", "manchester"):
        name = {"uart": "tx"}.get(bus, "line")
        assert len(decode({name: flat}, bus)) == 0
        assert decode({name: flat}, bus, levels="ttl") == []


def test_a_wire_and_its_rs232_wire_are_each_others_inverse() -> None:
    # 'H' 8N1 is 0 00010010 1 on TTL and 1 11101101 0 on RS-232 (bitstring 5.0.0 for the bits)
    ttl = wave("0 00010010 1")
    rs232 = Waveform.from_volts(12 - 24 * (ttl.values() > 1), interval=ttl.interval)
    assert [int(bit) for bit in rs232.values()[155:255:10] > 0] == [1, 1, 1, 1, 0, 1, 1, 0, 1, 0]
    assert decode({"tx": rs232}, "uart", baud=1.0, levels="rs232", inverted=True)[0].fields == {"data": 0x48}
    assert uart_of("0 00010010 1")[0].fields == {"data": 0x48}


def test_the_difference_of_a_pair_is_taken_on_codes() -> None:
    high = Waveform(np.array([120, -120], dtype=np.int8), gain=0.01, offset=2.5, interval=1.0)
    low = Waveform(np.array([-120, 120], dtype=np.int8), gain=0.01, offset=2.4, interval=1.0)
    assert difference(high, low).values().tolist() == pytest.approx([2.5, -2.3])
    other = Waveform(np.array([-60, 60], dtype=np.int8), gain=0.02, offset=2.4, interval=1.0)
    assert difference(high, other).values().tolist() == pytest.approx([2.5, -2.3])


@pytest.mark.parametrize("shape", ["normal", "uniform"])
def test_auto_finds_no_levels_in_noise(shape: str) -> None:
    generator = np.random.default_rng(6)
    volts = generator.normal(0, 0.05, 20_000) if shape == "normal" else generator.uniform(-0.1, 0.1, 20_000)
    with pytest.raises(NotMeasurable, match="does not stay at two levels"):
        AUTO.of(Waveform.from_volts(volts, interval=1.0))
    assert decode({"tx": Waveform.from_volts(volts, interval=1e-6)}, "uart", baud=1e5) == []


def test_the_noise_of_a_converter_is_no_signal() -> None:
    codes = np.random.default_rng(7).integers(-1, 1, 5000).astype(np.int8)
    with pytest.raises(NotMeasurable):
        AUTO.of(Waveform(codes, gain=0.01, interval=1.0, code_range=(-128, 127)))
    assert AUTO.of(Waveform(codes, gain=0.01, interval=1.0)) == pytest.approx((-0.006, -0.004))  # digital samples


@pytest.mark.parametrize("level, word", [(0.0, 0x00), (3.3, 0xFF)])
def test_a_line_that_rests_takes_the_levels_of_the_others(level: float, word: int) -> None:
    lines = spi_lines([[(0x9F, 0)]], lead=1e-6)
    waves = {name: draw(getattr(lines, name), rate=20e6) for name in ("clock", "mosi", "select")}
    noise = np.random.default_rng(1).normal(level, 0.05, len(waves["clock"]))
    (frame,) = decode(waves | {"miso": Waveform.from_volts(noise, interval=5e-8, start=-1e-6)}, "spi")
    assert (frame["mosi"], frame["miso"], frame.errors) == (0x9F, word, ())


def test_auto_finds_no_levels_in_noise_of_few_codes() -> None:
    # its two modes are neighbouring codes, with none between them
    codes = np.random.default_rng(9).normal(0, 8, 20_000).round().astype(np.int8)
    with pytest.raises(NotMeasurable):
        AUTO.of(Waveform(codes, gain=0.01, interval=1.0))


def test_at_a_change_itself_the_state_is_the_new_one() -> None:
    few, many = np.array([1.0, 2.0]), np.arange(0.0, 4.0, 0.5)
    for times, instants in ((few, many), (many, few)):
        line = Line(True, times, -1.0, 5.0)
        assert line.is_high_along(instants).tolist() == line.is_high(instants).tolist()
    assert Line(True, few, -1.0, 5.0).is_high_along(many).tolist() == [True, True, False, False, True, True, True, True]


OUTPUTS = [  # levels, highest low and lowest high of a driver, V, and the source
    ("ttl", 0.4, 2.4, "TTL family: VOL max, VOH min"),
    ("lvttl", 0.4, 2.4, "JEDEC JESD8C.01, LVTTL; from memory, not verified"),
    ("lvcmos33", 0.2, 3.0 - 0.2, "JEDEC JESD8C.01, LVCMOS at 3.0 V: VDD - 0.2 V; from memory, not verified"),
    ("lvcmos15", 0.25 * 1.5, 0.75 * 1.5, "JESD8-11: VOL 0.25, VOH 0.75 of VDD"),
    ("lvcmos12", 0.25 * 1.2, 0.75 * 1.2, "JESD8-12A: VOL 0.25, VOH 0.75 of VDD"),
    ("rs232", -5.0, 5.0, "TIA-232-F, V.28: driver at least 5 V either way; from memory, not verified"),
    ("can", 0.0, 1.5, "ISO 11898-2: recessive 0 V, dominant at least 1.5 V; from memory, not verified"),
]


@pytest.mark.parametrize("text, low, high, source", OUTPUTS, ids=[f"{row[0]}-outputs" for row in OUTPUTS])
def test_the_weakest_driver_of_a_family_is_read(text: str, low: float, high: float, source: str) -> None:
    line = uart_line(b"H", baud=1.0, lead=15, tail=15)
    (frame,) = decode({"tx": draw(line, rate=10, low=low, high=high)}, "uart", baud=1.0, levels=text)
    assert (frame["data"], frame.errors) == (0x48, ()), source
    # and one that swings inside the band where the state is not defined says nothing
    levels = LogicLevels.read(text)
    inside = {"low": levels.low + 0.02, "high": levels.high - 0.02}
    assert len(decode({"tx": draw(line, rate=10, **inside)}, "uart", baud=1.0, levels=text)) == 0


@pytest.mark.parametrize("swapped", [False, True])
def test_the_letters_of_a_pair_are_often_swapped_so_that_polarity_is_a_setting(swapped: bool) -> None:
    # TIA-485-A (from memory, not verified): A below B is a mark, 1, idle; 200 mV decide
    line = uart_line(b"H", baud=1.0, lead=15, tail=15)
    a, b = (draw(each, rate=10, low=2.35, high=2.65) for each in (line.inverted(), line))
    pair = difference(b, a) if swapped else difference(a, b)
    (frame,) = decode({"tx": pair}, "uart", baud=1.0, levels="rs485 differential", inverted=not swapped)
    assert (frame["data"], frame.errors) == (0x48, ())
    wrong = decode({"tx": pair}, "uart", baud=1.0, levels="rs485 differential", inverted=swapped)
    assert not any(frame.is_clean for frame in wrong)
