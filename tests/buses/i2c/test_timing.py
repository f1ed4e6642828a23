from __future__ import annotations

import math

import numpy as np
import pytest

from tests.encoders.impairments import skewed, spiked
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.decode import decode
from wavewright.buses.frame_metrics import (
    find_frame_metric,
    line_metrics,
    measure_decoded,
    measure_frames,
    published_limit,
)
from wavewright.buses.i2c.limits import LIMITS, allowed
from wavewright.buses.line.logic import Line
from wavewright.buses.line.logic_levels import LogicLevels
from wavewright.buses.timing_report import TimingRow, timing_report
from wavewright.errors import Misuse
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import Transfer, i2c_lines, read_transfer, write_transfer
from wavewright.waveform import Waveform

TABLE_10 = "UM10204 Rev. 6, table 10, as transcribed in public (Rev. 7: the same values in table 11)"
LIMIT_ROWS = [  # name, symbol, which end, Standard, Fast, Fast-mode Plus, SI units
    ("clock_frequency", "fSCL", "high", 100e3, 400e3, 1000e3),
    ("start_hold_time", "tHD;STA", "low", 4.0e-6, 0.6e-6, 0.26e-6),
    ("low_period", "tLOW", "low", 4.7e-6, 1.3e-6, 0.5e-6),
    ("high_period", "tHIGH", "low", 4.0e-6, 0.6e-6, 0.26e-6),
    ("start_setup_time", "tSU;STA", "low", 4.7e-6, 0.6e-6, 0.26e-6),
    ("data_hold_time", "tHD;DAT", "low", 0.0, 0.0, 0.0),
    ("data_valid_time", "tVD;DAT", "high", 3.45e-6, 0.9e-6, 0.45e-6),
    ("data_setup_time", "tSU;DAT", "low", 250e-9, 100e-9, 50e-9),
    ("rise_time", "tr", "high", 1000e-9, 300e-9, 120e-9),
    ("fall_time", "tf", "high", 300e-9, 300e-9, 120e-9),
    ("stop_setup_time", "tSU;STO", "low", 4.0e-6, 0.6e-6, 0.26e-6),
    ("bus_free_time", "tBUF", "low", 4.7e-6, 1.3e-6, 0.5e-6),
    ("bus_capacitance", "Cb", "high", 400e-12, 400e-12, 550e-12),
    ("data_valid_time", "tVD;DAT", "high", 3.45e-6, 0.9e-6, 0.45e-6),
    ("acknowledge_valid_time", "tVD;ACK", "high", 3.45e-6, 0.9e-6, 0.45e-6),
]


@pytest.mark.parametrize(
    "name, symbol, end, values",
    [(row[0], row[1], row[2], row[3:]) for row in LIMIT_ROWS],
    ids=[row[0] for row in LIMIT_ROWS],
)
def test_each_quantity_has_its_allowed(name: str, symbol: str, end: str, values: tuple[float, ...]) -> None:
    assert LIMITS[name].symbol == symbol
    for mode, value in zip(("standard", "fast", "fast_plus"), values, strict=True):
        assert getattr(allowed(name, mode), end) == value, TABLE_10
    (metric,) = (each for each in line_metrics("i2c") if each.name == name)
    assert (metric.symbol, metric.unit) == (symbol, LIMITS[name].unit)
    assert metric.published is not None
    assert getattr(metric.published("", {"mode": "fast"}), end) == values[1], TABLE_10


def test_the_levels_are_three_and_seven_tenths_of_the_supply() -> None:
    assert LogicLevels.read("i2c 5 V") == LogicLevels(1.5, 3.5)  # UM10204 Rev. 6, table 9


def on_bus(scl: Waveform, sda: Waveform, **options: object) -> BusRecord:
    return BusRecord({"scl": scl, "sda": sda}, "i2c", **{"levels": "i2c 3.3 V", **options})


def charging(resistance: float, capacitance: float, *, interval: float = 1e-10) -> BusRecord:
    """SCL that rises once from 0 V to 3.3 V through a resistance; SDA rests high."""
    time = np.arange(-20_000, 150_000) * interval
    volts = np.where(time < 0, 0.0, 3.3 * (1 - np.exp(-np.maximum(time, 0) / (resistance * capacitance))))
    scl = Waveform.from_volts(volts, interval=interval)
    return on_bus(scl, Waveform.from_volts(np.full(time.size, 3.3), interval=interval))


PULL_UPS = [("standard", 400e-12, 2951), ("fast", 200e-12, 1770), ("fast_plus", 550e-12, 257.5)]


@pytest.mark.parametrize("mode, capacitance, resistance", PULL_UPS, ids=[f"{row[0]}" for row in PULL_UPS])
def test_the_largest_pull_up_makes_exactly_the_longest_rise(mode: str, capacitance: float, resistance: float) -> None:
    # closed form: an RC edge takes ln(0.7 / 0.3) R C from 0.3 to 0.7 of the supply
    longest = allowed("rise_time", mode).high
    assert longest / (math.log(7 / 3) * capacitance) == pytest.approx(resistance, abs=0.5)
    reading = measure_decoded(charging(resistance, capacitance), "rise_time")
    assert reading.value == pytest.approx(longest, rel=1e-3)
    # inverted: the capacitance from the rise time and the pull-up
    reading = measure_decoded(charging(resistance, capacitance), "bus_capacitance", pull_up=f"{resistance} ohm")
    assert reading.value == pytest.approx(capacitance, rel=2e-3)
    assert reading.unit == "F"


def test_a_capacitance_needs_a_pull_up_and_a_rise() -> None:
    with pytest.raises(Misuse, match="above 0 ohm"):
        measure_decoded(charging(1e3, 1e-10), "bus_capacitance", pull_up=0.0)
    flat = Waveform.from_volts([3.3] * 100, interval=1e-7)
    assert "no line rises" in measure_decoded(on_bus(flat, flat), "bus_capacitance", pull_up=1e3).reason


def test_low_and_high_minima_leave_room_for_the_edges() -> None:
    for mode, total in (("standard", 8.7e-6), ("fast", 1.9e-6), ("fast_plus", 0.76e-6)):
        least = allowed("low_period", mode).low + allowed("high_period", mode).low
        assert least == pytest.approx(total)  # math: sums of table 10
        assert least < 1 / allowed("clock_frequency", mode).high


def conversation(bit_rate: float, *, mode: str = "standard", then: str | None = None, **drawn: object) -> BusRecord:
    transfers = [
        write_transfer(0x48, b"\x01\x60"),
        write_transfer(0x48, b"\x00", stop=False),
        read_transfer(0x48, b"\x19\x80"),
        write_transfer(0x48, b"\x02"),
    ]
    scl, sda = i2c_lines(transfers, bit_rate=bit_rate, lead=1e-5, tail=1e-5)
    levels = drawn.pop("levels", "i2c 3.3 V")
    waves = (draw(line, rate=200e6, **drawn) for line in (scl, sda))
    return on_bus(*waves, mode=mode, then=then, levels=levels)


def report(bit_rate: float, mode: str, **drawn: object) -> dict[str, TimingRow]:
    return {row.name: row for row in timing_report(conversation(bit_rate, mode=mode, **drawn))}


@pytest.mark.parametrize("levels", ["i2c 3.3 V", "auto"])
def test_every_quantity_of_a_standard_bus_is_what_was_drawn(levels: str) -> None:
    # closed form: 45 % of 10 µs high, 55 % low; an edge of 0.5 µs passes 0.3 to 0.7 in 0.4 of it
    rows = report(100e3, "standard", rise_time=0.5e-6, levels=levels)
    edge = 0.5e-6 * 0.4
    low, high, hold = 5.5e-6, 4.5e-6, 5.5e-6 / 4
    expected = {
        "clock_frequency": 100e3,
        "start_hold_time": low - edge,
        "low_period": low - edge,
        "high_period": high - edge,
        "start_setup_time": low - edge,
        "data_hold_time": hold - edge,
        "data_setup_time": low - hold - edge,
        "rise_time": edge,
        "fall_time": edge,
        "stop_setup_time": low - edge,
        "bus_free_time": 10e-6 - edge,
        "data_valid_time": hold,
        "acknowledge_valid_time": hold,
        "low_output_level": 0.0,
    }
    assert set(rows) == set(expected), "bus_capacitance needs an option, and the others only SMBus bounds"
    for name, value in expected.items():
        reading = rows[name].reading
        within = {"Hz": 200.0, "V": 0.02}.get(reading.unit, 8e-9)
        assert reading.value == pytest.approx(value, abs=within), name
        assert rows[name].holds, name
        assert rows[name].symbol == LIMITS[name].symbol
    assert rows["start_setup_time"].reading.count == 1
    assert rows["bus_free_time"].reading.count == 2
    assert rows["start_hold_time"].reading.count == 4


def test_a_bus_that_is_too_fast_for_its_mode_fails_where_it_must() -> None:
    rows = report(400e3, "standard", rise_time=0.1e-6)
    failing = {name for name, row in rows.items() if row.holds is False}
    assert failing >= {"clock_frequency", "low_period", "high_period", "start_hold_time", "stop_setup_time"}
    assert not failing & {"rise_time", "fall_time", "data_setup_time", "data_hold_time"}
    assert all(row.holds for row in report(400e3, "fast", rise_time=0.1e-6).values())


def test_the_worst_occurrence_is_kept_with_when_it_was() -> None:
    # given one clock whose low is 1 µs shorter than the others
    scl, sda = i2c_lines([write_transfer(0x48, b"\x55\xaa")], lead=1e-5, tail=1e-5)
    times = scl.times.copy()
    fall, rise = 18, 19  # of a low in the middle; SCL begins high, so even changes are falls
    times[rise] -= 1e-6
    shorter = Line(scl.first, times, scl.start, scl.end)
    bus = on_bus(draw(shorter, rate=100e6, rise_time=0.2e-6), draw(sda, rate=100e6, rise_time=0.2e-6))
    reading = measure_decoded(bus, "low_period")
    assert reading.value == pytest.approx(4.5e-6 - 0.08e-6, abs=1e-8)
    assert reading.at == pytest.approx(times[fall] + 0.04e-6, abs=1e-8)
    assert reading.maximum == pytest.approx(5.5e-6 - 0.08e-6, abs=1e-8)
    assert reading.occurrences is not None
    assert reading.occurrences.values.size == reading.count == 27 + 1  # one more before the STOP
    assert reading.as_json()["at"] == reading.at


def test_data_and_acknowledge_bits_are_valid_each_in_their_time() -> None:
    # given a receiver that answers 1 µs later than the sender changes its data, and a late preparation of the STOP
    transfer = Transfer(b"\x90\x55\xaa", [True, True, False])
    scl, sda = i2c_lines([transfer], lead=1e-5, tail=1e-5, hold=0.4e-6)
    rises = np.searchsorted(scl.rising, sda.times)
    late = np.where(rises % 9 == 8, 1e-6, 0.0)
    late[-2:] = (3e-6, 0.0)  # SDA falls before the STOP
    moved = Line(sda.first, sda.times + late, sda.start, sda.end)
    bus = on_bus(draw(scl, rate=100e6), draw(moved, rate=100e6))
    assert measure_decoded(bus, "data_valid_time").value == pytest.approx(0.4e-6, abs=2e-8)
    assert measure_decoded(bus, "acknowledge_valid_time").value == pytest.approx(1.4e-6, abs=2e-8)
    assert measure_decoded(bus, "data_hold_time").maximum == pytest.approx(3.4e-6, abs=2e-8)


def test_a_quantity_that_does_not_occur_has_a_reason_and_no_value() -> None:
    flat = Waveform.from_volts([3.3] * 100, interval=1e-7)
    for row in timing_report(on_bus(flat, flat, mode="fast")):
        assert row.reading.value is None
        assert row.symbol in row.reading.reason
        assert (row.holds, row.reading.at) == (None, None)
    reading = measure_decoded(on_bus(flat, flat, levels="auto"), "low_period")
    assert "no line has two states" in reading.reason


def test_a_mode_or_a_bus_without_limits_says_which_have_some() -> None:
    with pytest.raises(Misuse, match="standard, fast, fast_plus, smbus"):
        allowed("low_period", "slow")
    with pytest.raises(Misuse, match=r"no published limit in mode `fast`(.|\n)*smbus"):
        allowed("longest_low_period", "fast")
    tx = Waveform.from_volts([3.3] * 100, interval=1e-7)
    with pytest.raises(Misuse, match="bus `uart` has no metrics over its lines"):
        timing_report(BusRecord({"tx": tx}, "uart"))


def test_a_metric_over_lines_needs_the_lines_of_its_bus() -> None:
    bus = conversation(100e3)
    with pytest.raises(Misuse, match="the lines of bus `i2c` that they come from"):
        measure_frames(bus.frames, "low_period")
    with pytest.raises(Misuse, match="metric `setup_time` is over the lines of bus `spi`"):
        measure_decoded(bus, "setup_time")
    assert measure_decoded(bus, "frames").value == 4


def test_data_that_change_with_the_clock_have_no_hold_time_even_a_fraction_of_a_sample_before_it() -> None:
    scl, sda = i2c_lines([write_transfer(0x48, b"\x55\xaa")], lead=1e-5, tail=1e-5, hold=0.0)
    early = skewed(sda, -2e-9)
    bus = on_bus(*(draw(line, rate=200e6, rise_time=50e-9) for line in (scl, early)))
    assert measure_decoded(bus, "data_hold_time").value == pytest.approx(0.0, abs=5e-9)
    assert measure_decoded(bus, "data_hold_time").maximum < 0.1e-6
    assert measure_decoded(bus, "data_valid_time").value < 0.1e-6


@pytest.mark.parametrize("sunk, holds", [(0.2, True), (0.5, False)])
def test_a_line_that_is_not_pulled_low_enough_fails(sunk: float, holds: bool) -> None:
    # UM10204, table 9: VOL at most 0.4 V at 3 mA with VDD above 2 V
    row = report(100e3, "standard", low=sunk)["low_output_level"]
    assert row.reading.value == pytest.approx(sunk, abs=0.02)
    assert row.holds is holds


@pytest.mark.parametrize("lows", [(0.1, 0.3), (0.3, 0.1)])
def test_the_worse_of_two_lines_says_how_low_they_go(lows: tuple[float, float]) -> None:
    lines = i2c_lines([write_transfer(0x48, b"\x55\xaa")], lead=1e-5, tail=1e-5)
    bus = on_bus(*(draw(line, rate=10e6, low=low) for line, low in zip(lines, lows, strict=True)))
    assert measure_decoded(bus, "low_output_level").value == pytest.approx(0.3, abs=0.02)


@pytest.mark.parametrize("mode", ["fast", "fast_plus"])
@pytest.mark.parametrize("width, is_seen", [(45e-9, False), (60e-9, True)])
def test_spikes_of_up_to_fifty_nanoseconds_are_suppressed(mode: str, width: float, is_seen: bool) -> None:
    # UM10204, table 10: tSP 0 to 50 ns in Fast-mode and Fast-mode Plus, no filter in Standard-mode
    scl, sda = i2c_lines([write_transfer(0x48, b"\x5a")], bit_rate=400e3, lead=2e-6, tail=5e-6)
    low = (scl.falling[3] + scl.rising[3]) / 2
    waves = {"scl": draw(spiked(scl, low, width), rate=400e6), "sda": draw(sda, rate=400e6)}
    (frame,) = decode(waves, "i2c", mode=mode)
    assert (frame["data"] != b"\x5a" or "glitch" in frame.errors) is is_seen
    (frame,) = decode(waves, "i2c", mode="standard")
    assert frame["data"] != b"\x5a" or "glitch" in frame.errors


@pytest.mark.parametrize("supply", [1.8, 3.3, 5.0])
def test_a_wobble_within_the_hysteresis_changes_nothing(supply: float) -> None:
    # UM10204, table 9: hysteresis at least 0.05 VDD in Fast-mode and Fast-mode Plus; ours is 0.7 - 0.3 = 0.4 of it
    levels = LogicLevels.read(f"i2c {supply} V")
    assert levels.high - levels.low >= 0.05 * supply
    scl, sda = i2c_lines([write_transfer(0x48, b"\x5a\x01")], lead=2e-5, tail=2e-5)
    waves = {}
    for name, line in (("scl", scl), ("sda", sda)):
        drawn = draw(line, rate=50e6, high=supply, rise_time=1.5e-6)
        wobble = 0.15 * supply * np.sin(2 * np.pi * 2.3e6 * 2e-8 * np.arange(len(drawn)))
        waves[name] = Waveform.from_volts(drawn.values() + wobble, interval=2e-8)
    (frame,) = decode(waves, "i2c", levels=f"i2c {supply} V")
    assert (frame["data"], frame.errors) == (b"\x5a\x01", ())
    # the same with one threshold in the middle sees edges that are none
    assert decode(waves, "i2c", levels=(supply / 2, supply / 2)) != [frame]


SMBUS = [  # SMBus 2.0, class of 100 kHz, as data of battery gauges and chip sets restate it
    ("data_hold_time", "low", 300e-9),
    ("start_hold_time", "low", 4.0e-6),
    ("start_setup_time", "low", 4.7e-6),
    ("stop_setup_time", "low", 4.0e-6),
    ("bus_free_time", "low", 4.7e-6),
    ("data_setup_time", "low", 250e-9),
    ("rise_time", "high", 1000e-9),
    ("fall_time", "high", 300e-9),
    ("low_output_level", "high", 0.4),
    ("clock_frequency", "high", 100e3),
    ("slowest_clock_frequency", "low", 10e3),
    ("longest_low_period", "high", 25e-3),
    ("longest_high_period", "high", 50e-6),
    ("high_period", "low", 4.0e-6),
    ("low_period", "low", 4.7e-6),
]


@pytest.mark.parametrize("name, end, value", SMBUS, ids=[f"{row[0]}" for row in SMBUS])
def test_smbus_has_limits_of_its_own(name: str, end: str, value: float) -> None:
    (metric,) = (each for each in line_metrics("i2c") if each.name == name)
    assert metric.published is not None
    assert getattr(metric.published("smbus", {"mode": "standard"}), end) == value


@pytest.mark.parametrize("name, end, value", SMBUS[1:], ids=[f"{row[0]}" for row in SMBUS[1:]])
def test_the_later_smbus_has_the_same_limits_but_for_the_data_hold_time(name: str, end: str, value: float) -> None:
    # SMBus 3.x, class of 100 kHz (from memory, not verified); the data hold time has a row of its own below
    assert getattr(allowed(name, "smbus_3"), end) == value


def test_smbus_levels_are_fixed_voltages() -> None:
    # SMBus 3.x: VIL 0.8 V, VIH 1.35 V (component data); 2.0 had 2.1 V (UM10204 Rev. 6, 4.2.1)
    assert LogicLevels.read("smbus") == LogicLevels(0.8, 1.35)
    assert LogicLevels.read("smbus2") == LogicLevels(0.8, 2.1)
    assert LogicLevels.read("0.8 V / 2.1 V") == LogicLevels(0.8, 2.1)


def smbus(transfer: Transfer, *, bit_rate: float = 50e3) -> dict[str, TimingRow]:
    scl, sda = i2c_lines([transfer], bit_rate=bit_rate, lead=1e-4, tail=1e-4)
    rate = 100 * bit_rate
    bus = on_bus(draw(scl, rate=rate), draw(sda, rate=rate), then="smbus", levels="smbus")
    return {row.name: row for row in timing_report(bus)}


def test_a_clock_that_smbus_finds_too_slow_or_held_too_long_fails() -> None:
    good = smbus(write_transfer(0x48, b"\x01\x02"))
    assert all(good[name].holds for name in ("slowest_clock_frequency", "longest_low_period", "longest_high_period"))
    slow = smbus(write_transfer(0x48, b"\x01\x02"), bit_rate=8e3)
    assert slow["slowest_clock_frequency"].reading.value == pytest.approx(8e3, rel=0.01)
    assert not slow["slowest_clock_frequency"].holds
    assert slow["longest_high_period"].reading.value == pytest.approx(0.45 / 8e3, abs=2 / 800e3)
    assert not slow["longest_high_period"].holds
    lines = i2c_lines([write_transfer(0x48, b"\x01")] * 2, bit_rate=50e3, lead=1e-4, tail=1e-4, idle=2e-3)
    rests = on_bus(*(draw(line, rate=5e6) for line in lines), then="smbus", levels="smbus")
    assert measure_decoded(rests, "slowest_clock_frequency").value == pytest.approx(50e3, rel=0.02)
    assert measure_decoded(rests, "longest_high_period").value == pytest.approx(9e-6, abs=4e-7)  # 45 % of 20 us
    held = smbus(Transfer(b"\x90\x01", stretched={9: 26e-3}), bit_rate=20e3)
    assert held["longest_low_period"].reading.value == pytest.approx(26e-3 + 0.55 / 20e3, rel=1e-3)
    assert not held["longest_low_period"].holds


ENDS = [  # quantity, mode, supply in V, least, most; source
    ("shortest_rise_time", "fast", None, 20e-9, None, "UM10204 Rev. 6, table 10: tr 20 ns to 300 ns in Fast-mode"),
    ("rise_time", "fast", None, None, 300e-9, "the same"),
    ("rise_time", "standard", None, None, 1000e-9, "UM10204 Rev. 6, table 10"),
    ("rise_time", "fast_plus", None, None, 120e-9, "UM10204 Rev. 6, table 10"),
    ("shortest_fall_time", "fast", 5.5, 20e-9, None, "UM10204 Rev. 6, table 10: tf at least 20 ns x VDD / 5.5 V"),
    ("shortest_fall_time", "fast", 3.3, 12.0e-9, None, "the same: 12.0 ns at 3.3 V"),
    ("shortest_fall_time", "fast_plus", 1.8, 6.545e-9, None, "the same: 6.55 ns at 1.8 V"),
    ("shortest_fall_time", "fast_plus", 2.5, 9.091e-9, None, "the same: 9.09 ns at 2.5 V"),
    ("low_output_level", "standard", 3.3, None, 0.4, "UM10204 Rev. 6, table 9: 0.4 V with VDD above 2 V"),
    ("low_output_level", "fast", 2.1, None, 0.4, "the same"),
    ("low_output_level", "fast", 1.8, None, 0.36, "UM10204 Rev. 6, table 9: 0.2 VDD with VDD at most 2 V"),
    ("low_output_level", "fast_plus", 2.0, None, 0.4, "the same"),
    ("data_hold_time", "smbus", None, 300e-9, None, "SMBus 2.0, as data of battery gauges restate it"),
    ("data_hold_time", "smbus_3", None, 0.0, None, "SMBus 3.x (from memory, not verified)"),
]


@pytest.mark.parametrize(
    "name, mode, supply, ends, source",
    [(*row[:3], row[3:5], row[5]) for row in ENDS],
    ids=[f"{row[0]}-{row[1]}" for row in ENDS],
)
def test_both_ends_of_a_published_limit(
    name: str, mode: str, supply: float | None, ends: tuple[float | None, float | None], source: str
) -> None:
    least, most = ends
    limit = allowed(name, mode, supply=supply)
    assert limit.low == (-math.inf if least is None else pytest.approx(least, rel=1e-3)), source
    assert limit.high == (math.inf if most is None else pytest.approx(most, rel=1e-3)), source
    for end, outwards in ((limit.low, -1), (limit.high, 1)):
        if math.isfinite(end):
            assert end in limit
            assert end + outwards * max(abs(end), 1e-9) * 1e-3 not in limit


@pytest.mark.parametrize("name, mode", [("shortest_rise_time", "standard"), ("shortest_rise_time", "fast_plus"),
                                        ("shortest_fall_time", "standard")])  # fmt: skip
def test_where_the_table_has_no_smallest_edge_there_is_no_limit(name: str, mode: str) -> None:
    with pytest.raises(Misuse, match="has no published limit in mode"):
        allowed(name, mode, supply=3.3)  # UM10204 Rev. 6, table 10: a dash in that column


def test_standard_mode_below_two_volts_has_no_output_level() -> None:
    with pytest.raises(Misuse, match="has no published limit in mode `standard` at 1"):
        allowed("low_output_level", "standard", supply=1.8)  # UM10204 Rev. 6, table 9


@pytest.mark.parametrize("name", ["shortest_fall_time", "low_output_level"])
def test_a_limit_that_follows_the_supply_asks_for_it(name: str) -> None:
    metric = find_frame_metric(name, bus="i2c")
    with pytest.raises(Misuse, match="depends on the supply"):
        published_limit(metric, then="", options={"mode": "fast", "levels": "auto"})
    by_option = published_limit(metric, then="", options={"mode": "fast", "supply": "1.8 V"})
    assert by_option == published_limit(metric, then="", options={"mode": "fast", "levels": "i2c 1.8 V"})
    assert by_option != published_limit(metric, then="", options={"mode": "fast", "supply": 3.3})


def ramps(seconds: float, *, supply: float = 3.3) -> Waveform:
    """Highs and lows of 5 us with edges that take a time from 0 to the supply."""
    interval = 1e-9
    edge = np.linspace(0, supply, round(seconds / interval))
    rest = round(5e-6 / interval)
    return Waveform.from_volts(
        np.concatenate([np.full(rest, supply), edge[::-1], np.zeros(rest), edge, np.full(rest, supply)]),
        interval=interval,
    )


def test_smbus_times_its_edges_0_15_volts_further_out() -> None:
    # SMBus 2.0 (component data): from VIL - 0.15 V to VIH + 0.15 V, here 0.65 V to 2.25 V of a ramp over 3.3 V in 1 us
    scl = ramps(1e-6)
    waves = {"scl": scl, "sda": scl}
    plain = measure_decoded(BusRecord(waves, "i2c", levels="smbus2"), "rise_time")
    smbus = measure_decoded(BusRecord(waves, "i2c", then="smbus", levels="smbus2"), "rise_time")
    assert plain.value == pytest.approx((2.1 - 0.8) / 3.3 * 1e-6, rel=0.01)
    assert smbus.value == pytest.approx((2.25 - 0.65) / 3.3 * 1e-6, rel=0.01)
    falls = measure_decoded(BusRecord(waves, "i2c", then="smbus", levels="smbus2"), "fall_time")
    assert falls.value == pytest.approx(smbus.value, rel=0.01)


@pytest.mark.parametrize("seconds, mode, holds", [(30e-9, "fast", False), (60e-9, "fast", True)])
def test_an_edge_that_is_too_steep_fails(seconds: float, mode: str, holds: bool) -> None:
    # 0.3 to 0.7 of the supply is 0.4 of the ramp: 12 ns and 24 ns against 20 ns (rise) and 12 ns (fall at 3.3 V)
    scl = ramps(seconds)
    rows = {
        row.name: row for row in timing_report(BusRecord({"scl": scl, "sda": scl}, "i2c", mode=mode, levels="auto"))
    }
    assert rows["shortest_rise_time"].holds is holds
    assert rows["shortest_fall_time"].limit is not None
    assert rows["shortest_fall_time"].limit.low == pytest.approx(12e-9, rel=1e-2)
    assert rows["low_output_level"].limit is not None
    assert rows["low_output_level"].limit.high == 0.4
