from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.buses.i2c_timing import LIMITS, QUANTITIES, I2cSurvey, measure_i2c, published_limit, timing_report
from wavewright.buses.levels import LogicLevels
from wavewright.errors import Misuse
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import i2c_lines, read_transfer, write_transfer
from wavewright.simulation.encoders.impairments import skewed
from wavewright.waveform import Waveform

TABLE_10 = (
    "UM10204, table 10, revision 6/7, as restated in component data; entries of Fast-mode Plus partly from memory"
)
LIMIT_ROWS = [  # row, name, symbol, which end, Standard, Fast, Fast-mode Plus, SI units
    ("B71", "clock_frequency", "fSCL", "high", 100e3, 400e3, 1000e3),
    ("B72", "start_hold", "tHD;STA", "low", 4.0e-6, 0.6e-6, 0.26e-6),
    ("B73", "clock_low", "tLOW", "low", 4.7e-6, 1.3e-6, 0.5e-6),
    ("B74", "clock_high", "tHIGH", "low", 4.0e-6, 0.6e-6, 0.26e-6),
    ("B75", "start_setup", "tSU;STA", "low", 4.7e-6, 0.6e-6, 0.26e-6),
    ("B76", "data_hold", "tHD;DAT", "low", 0.0, 0.0, 0.0),
    ("B77", "data_valid", "tVD;DAT", "high", 3.45e-6, 0.9e-6, 0.45e-6),
    ("B78", "data_setup", "tSU;DAT", "low", 250e-9, 100e-9, 50e-9),
    ("B79", "rise_time", "tr", "high", 1000e-9, 300e-9, 120e-9),
    ("B80", "fall_time", "tf", "high", 300e-9, 300e-9, 120e-9),
    ("B81", "stop_setup", "tSU;STO", "low", 4.0e-6, 0.6e-6, 0.26e-6),
    ("B82", "bus_free", "tBUF", "low", 4.7e-6, 1.3e-6, 0.5e-6),
    ("B84", "data_valid", "tVD;DAT", "high", 3.45e-6, 0.9e-6, 0.45e-6),
]


@pytest.mark.parametrize(
    "name, symbol, end, values",
    [(row[1], row[2], row[3], row[4:]) for row in LIMIT_ROWS],
    ids=[f"{row[0]}-{row[1]}" for row in LIMIT_ROWS],
)
def test_each_quantity_has_its_published_limit(name: str, symbol: str, end: str, values: tuple[float, ...]) -> None:
    assert LIMITS[name].symbol == symbol
    for mode, value in zip(("standard", "fast", "fast_plus"), values, strict=True):
        assert getattr(published_limit(name, mode), end) == value, TABLE_10


def test_b86_the_levels_are_three_and_seven_tenths_of_the_supply() -> None:
    assert LogicLevels.read("i2c 5 V") == LogicLevels(1.5, 3.5)  # UM10204, table 10


def test_b89_the_largest_pull_up_makes_exactly_the_longest_rise() -> None:
    # closed form: an RC edge takes ln(0.7 / 0.3) R C from 0.3 to 0.7 of the supply
    for mode, capacitance, resistance in (
        ("standard", 400e-12, 2951), ("fast", 200e-12, 1770), ("fast_plus", 550e-12, 257.5),
    ):  # fmt: skip
        assert published_limit("rise_time", mode).high / (math.log(7 / 3) * capacitance) == pytest.approx(
            resistance, abs=0.5
        )
        time = np.arange(-2000, 20000) * 1e-10
        volts = np.where(time < 0, 0.0, 3.3 * (1 - np.exp(-np.maximum(time, 0) / (resistance * capacitance))))
        scl = Waveform.from_volts(volts, interval=1e-10)
        sda = Waveform.from_volts(np.full(time.size, 3.3), interval=1e-10)
        reading = measure_i2c(I2cSurvey(scl, sda, (0.99, 2.31)), "rise_time")
        assert reading.value == pytest.approx(published_limit("rise_time", mode).high, rel=1e-3)


def test_b90_low_and_high_minima_leave_room_for_the_edges() -> None:
    for mode, total in (("standard", 8.7e-6), ("fast", 1.9e-6), ("fast_plus", 0.76e-6)):
        least = published_limit("clock_low", mode).low + published_limit("clock_high", mode).low
        assert least == pytest.approx(total)  # math: sums of table 10
        assert least < 1 / published_limit("clock_frequency", mode).high


def report(bit_rate: float, mode: str, **drawn: float) -> dict[str, object]:
    transfers = [
        write_transfer(0x48, b"\x01\x60"),
        write_transfer(0x48, b"\x00", stop=False),
        read_transfer(0x48, b"\x19\x80"),
        write_transfer(0x48, b"\x02"),
    ]
    scl, sda = i2c_lines(transfers, bit_rate=bit_rate, lead=1e-5, tail=1e-5)
    rows = timing_report(draw(scl, rate=200e6, **drawn), draw(sda, rate=200e6, **drawn), mode=mode, supply=3.3)
    return {row.name: row for row in rows}


def test_every_quantity_of_a_standard_bus_is_what_was_drawn() -> None:
    # closed form: 45 % of 10 µs high, 55 % low; an edge of 0.5 µs passes 0.3 to 0.7 in 0.4 of it
    rows = report(100e3, "standard", rise_time=0.5e-6)
    edge = 0.5e-6 * 0.4
    low, high, hold = 5.5e-6, 4.5e-6, 5.5e-6 / 4
    expected = {
        "clock_frequency": 100e3,
        "start_hold": low - edge,
        "clock_low": low - edge,
        "clock_high": high - edge,
        "start_setup": low - edge,
        "data_hold": hold - edge,
        "data_setup": low - hold - edge,
        "rise_time": edge,
        "fall_time": edge,
        "stop_setup": low - edge,
        "bus_free": 10e-6 - edge,
        "data_valid": hold,
    }
    assert set(expected) == set(QUANTITIES) == set(LIMITS)
    for name, value in expected.items():
        reading = rows[name].reading
        assert reading.value == pytest.approx(value, abs=8e-9 if name != "clock_frequency" else 200), name
        assert rows[name].holds, name
    assert rows["start_setup"].reading.count == 1
    assert rows["bus_free"].reading.count == 2
    assert rows["start_hold"].reading.count == 4


def test_a_bus_that_is_too_fast_for_its_mode_fails_where_it_must() -> None:
    rows = report(400e3, "standard", rise_time=0.1e-6)
    failing = {name for name, row in rows.items() if row.holds is False}
    assert failing >= {"clock_frequency", "clock_low", "clock_high", "start_hold", "stop_setup"}
    assert not failing & {"rise_time", "fall_time", "data_setup", "data_hold"}
    assert all(row.holds for row in report(400e3, "fast", rise_time=0.1e-6).values())


def test_a_quantity_that_does_not_occur_has_a_reason_and_no_value() -> None:
    flat = Waveform.from_volts([3.3] * 100, interval=1e-7)
    for row in timing_report(flat, flat, mode="fast", supply=3.3):
        assert row.reading.value is None
        assert row.symbol in row.reading.reason
        assert row.holds is None


def test_the_levels_must_be_said_in_one_way() -> None:
    flat = Waveform.from_volts([3.3] * 100, interval=1e-7)
    with pytest.raises(Misuse, match="either `supply` or `levels`"):
        timing_report(flat, flat, mode="fast")
    with pytest.raises(Misuse, match="standard, fast, fast_plus"):
        published_limit("clock_low", "slow")


def test_data_that_change_with_the_clock_have_no_hold_time_even_a_fraction_of_a_sample_before_it() -> None:
    scl, sda = i2c_lines([write_transfer(0x48, b"\x55\xaa")], lead=1e-5, tail=1e-5, hold=0.0)
    early = skewed(sda, -2e-9)
    waves = [draw(line, rate=200e6, rise_time=50e-9) for line in (scl, early)]
    bus = I2cSurvey(*waves, (0.99, 2.31))
    assert measure_i2c(bus, "data_hold").value == pytest.approx(0.0, abs=5e-9)
    assert measure_i2c(bus, "data_hold").maximum < 0.1e-6
    assert measure_i2c(bus, "data_valid").value < 0.1e-6
