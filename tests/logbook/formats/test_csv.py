"""Text tables: what instruments and spreadsheets write, and what is wrong with some of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import FileFault, Misuse
from wavewright.logbook.formats.catalogue import read_waveform, read_waveforms, write_waveforms
from wavewright.waveform import Waveform


@pytest.fixture
def table(tmp_path: Path):
    def write(text: str | bytes, name: str = "trace.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return write


LAYOUTS = [
    ("comma", "time (s),rail (V)\n0,1.5\n1e-6,2.5\n2e-6,-3\n"),
    ("semicolon and decimal comma", "time (s);rail (V)\n0;1,5\n0,000001;2,5\n0,000002;-3\n"),
    ("tab", "time [s]\trail [V]\n0\t1.5\n1e-6\t2.5\n2e-6\t-3\n"),
    ("tab and decimal comma", "time [s]\trail [V]\n0\t1,5\n1e-6\t2,5\n2e-6\t-3\n"),
    ("blanks", "time rail\n0    1.5\n1e-6 2.5\n2e-6 -3\n"),
    ("line of units", "time,rail\ns,V\n0,1.5\n1e-6,2.5\n2e-6,-3\n"),
    ("line of units in parentheses", "time,rail\n(us),(mV)\n0,1500\n1,2500\n2,-3000\n"),
    ("microseconds and millivolts", "time (µs),rail (mV)\n0,1500\n1,2500\n2,-3000\n"),
    ("unit after a slash", "t / us,rail / mV\n0,1500\n1,2500\n2,-3000\n"),
    ("comments and empty lines", "# VC-204\n\ntime,rail\n% unit 17\n0,1.5\n\n1e-6,2.5\n2e-6,-3\n# end\n"),
    ("preamble of another width", "Board,VC-204,rev B\nPoints,3,\ntime,rail\n0,1.5\n1e-6,2.5\n2e-6,-3\n"),
    ("carriage returns", "time,rail\r\n0,1.5\r\n1e-6,2.5\r\n2e-6,-3\r\n"),
    ("quotes", '"time","rail"\n"0","1.5"\n"1e-6","2.5"\n"2e-6","-3"\n'),
    ("byte order mark", "\ufefftime,rail\n0,1.5\n1e-6,2.5\n2e-6,-3\n"),
    ("separator at the end of the lines", "time,rail\n0,1.5,\n1e-6,2.5,\n2e-6,-3,\n"),
]


@pytest.mark.parametrize("text", [text for _, text in LAYOUTS], ids=[name for name, _ in LAYOUTS])
def test_a_layout_is_found_out(table, text: str) -> None:
    waves = read_waveforms(table(text))
    assert list(waves) == ["rail"]
    np.testing.assert_allclose(waves["rail"].values(), [1.5, 2.5, -3.0], rtol=1e-15)
    assert waves["rail"].interval == pytest.approx(1e-6, rel=1e-9)
    assert waves["rail"].unit == "V"


def test_a_code_page_of_old_exports_is_read(table) -> None:
    wave = read_waveform(table("time (µs);coil (mA)\n0;1\n1;2\n2;3\n".encode("cp1252")))
    assert (wave.unit, wave.interval) == ("A", pytest.approx(1e-6))
    assert wave.values(2)[0] == pytest.approx(3e-3)


def test_utf_16_is_read(table) -> None:
    assert len(read_waveform(table("time,rail\n0,1\n1,2\n".encode("utf-16")))) == 2


def test_missing_samples_become_nan(table) -> None:
    wave = read_waveform(table("time,rail\n0,1\n1e-6,\n2e-6,NaN\n3e-6,4\n"))
    assert np.isnan(wave.values()).tolist() == [False, True, True, False]


def test_columns_without_headings_are_numbered(table) -> None:
    waves = read_waveforms(table("1,5\n2,6\n1,7\n"), interval=1e-3)
    assert list(waves) == ["channel1", "channel2"]
    assert waves["channel2"].codes.tolist() == [5, 6, 7]


def test_a_first_column_that_rises_evenly_is_the_time(table) -> None:
    waves = read_waveforms(table("-1e-3,5\n0,6\n1e-3,7\n"))
    assert list(waves) == ["channel1"]
    assert waves["channel1"].start == -1e-3


def test_one_column_with_decimal_comma_is_told_by_its_heading(table) -> None:
    wave = read_waveform(table("rail voltage (V)\n1,5\n2,5\n"), interval=1.0)
    assert wave.codes.tolist() == [1.5, 2.5]
    assert wave.name == "rail voltage"


def test_times_printed_with_few_digits_still_give_the_mean_interval(table) -> None:
    # 3 MHz sampling, times printed to 0.1 µs: steps of 0.3 and 0.4 µs (constructed)
    text = "time,rail\n" + "".join(f"{k / 3e6:.7f},{k}\n" for k in range(301))
    assert read_waveform(table(text)).interval == pytest.approx(1 / 3e6, rel=1e-3)


def test_channels_are_chosen_by_number_and_by_name(table) -> None:
    path = table("time,rail,reset\n0,1,10\n1,2,20\n")
    assert read_waveform(path, channel=2).name == read_waveform(path, channel="reset").name == "reset"
    with pytest.raises(Misuse, match="no channel `rest`") as fault:
        read_waveform(path, channel="rest")
    assert fault.value.expected == "1 .. 2, or one of `rail`, `reset`"
    assert fault.value.do == "did you mean `reset`?"


BROKEN = [
    ("gap", "time,rail\n0,1\n1e-6,2\n2e-6,3\n4e-6,4\n5e-6,5\n", r"trace.csv:5: irregular time: 4e-06 s comes 2e-06 s"),
    ("time stands still", "time,rail\n0,1\n0,2\n0,3\n", r"trace.csv:3: time 0 s follows 0 s"),
    ("time is missing", "time,rail\n0,1\n,2\n2,3\n", r"trace.csv:3: time `nan`"),
    ("word among numbers", "time,rail\n0,1\n1,off\n2,3\n", r"trace.csv:3:3: `off` is not a number"),
    ("short line", "time,rail\n0,1\n1\n2,3\n3,4\n4,5\n5,6\n6,7\n7,8\n8,9\n9,9\n10,9\n", r"trace.csv:3: 1 cells in `1`"),
    ("empty", "", r"trace.csv: the file is empty"),
    ("prose", "nothing here\nis a number\n", r"trace.csv:1: no table of numbers"),
    ("two columns of one name", "time,a,a\n0,1,2\n1,2,3\n", r"trace.csv: two columns are called `a`"),
    ("no channel", "time (s)\n0\n1\n", r"trace.csv: a time column and no channel"),
    ("one line", "time,rail\n0,1\n", r"trace.csv: 1 samples: no time between two"),
]


@pytest.mark.parametrize("text, message", [row[1:] for row in BROKEN], ids=[row[0] for row in BROKEN])
def test_a_broken_table_is_refused_where_it_breaks(table, text: str, message: str) -> None:
    with pytest.raises(FileFault, match=message):
        read_waveforms(table(text))


def test_a_slow_drift_of_the_time_base_is_refused(table) -> None:
    # steps from 0.8 % too short to 0.8 % too long: none is off by much, the middle of the record is (constructed)
    times = np.cumsum(1e-6 * (1 + 1.6e-2 * (np.arange(1000) / 1000 - 0.5)))
    with pytest.raises(FileFault, match="irregular time"):
        read_waveforms(table("time,rail\n" + "".join(f"{t!r},0\n" for t in times.tolist())))


def test_a_sample_half_an_interval_late_is_refused_in_microseconds_too(table) -> None:
    with pytest.raises(FileFault, match=r"trace.csv:4: irregular time"):
        read_waveforms(table("time (us),rail\n0.000,1\n1.000,2\n2.500,3\n3.000,4\n4.000,5\n"))


def test_bytes_that_are_no_text_are_refused(table) -> None:
    with pytest.raises(FileFault, match=r"trace.csv, byte 3: a byte 0"):
        read_waveforms(table(b"1,2\0\0"))


def test_a_table_without_time_wants_an_interval(table) -> None:
    with pytest.raises(Misuse, match="does not contain the time") as fault:
        read_waveforms(table("rail\n1\n2\n"))
    assert "interval=1e-6" in fault.value.do


def test_an_interval_that_contradicts_the_file_is_refused(table) -> None:
    with pytest.raises(Misuse, match=r"`interval` is 0.002 s, the file says 0.001 s"):
        read_waveforms(table("time,rail\n0,1\n1e-3,2\n"), interval=2e-3)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match=r"none\.csv: cannot be read: .*\n  do: check the name"):
        read_waveforms(tmp_path / "none.csv")


@given(
    codes=st.lists(st.integers(-128, 127), min_size=2, max_size=50),
    gain=st.floats(1e-6, 1e3),
    offset=st.floats(-1e3, 1e3),
    interval=st.floats(1e-12, 1e3),
    start=st.floats(-1e3, 1e3),
)
def test_written_and_read_values_are_the_same_to_the_last_bit(
    tmp_path_factory, *, codes: list[int], gain: float, offset: float, interval: float, start: float
) -> None:
    rail = Waveform(np.array(codes, np.int8), gain=gain, offset=offset, interval=interval, start=start, name="rail")
    path = tmp_path_factory.mktemp("csv") / "trace.csv"
    write_waveforms(path, {"rail": rail, "double": rail})
    waves = read_waveforms(path)
    assert list(waves) == ["rail", "double"]
    assert waves["rail"].values().tolist() == rail.values().tolist()
    assert (waves["rail"].interval, waves["rail"].start) == (interval, start)


def test_columns_on_different_time_axes_are_refused_and_leave_no_file(tmp_path: Path) -> None:
    one = Waveform.from_volts([1, 2], interval=1.0)
    with pytest.raises(Misuse, match="not on one time axis"):
        write_waveforms(tmp_path / "a.csv", {"a": one, "b": Waveform.from_volts([1, 2], interval=2.0)})
    assert list(tmp_path.iterdir()) == []


def test_the_time_column_rises_for_whoever_does_not_know_our_comment(tmp_path: Path) -> None:
    # as another program reads it: `numpy.loadtxt`, which leaves the comment out
    waves = {"rail": Waveform.from_volts([1.0, 2.0, 4.0, 8.0], interval=1e-6, start=-1e-6, name="rail")}
    path = tmp_path / "rail.csv"
    write_waveforms(path, waves)
    table = np.loadtxt(path, delimiter=",", comments="#", skiprows=2)
    np.testing.assert_allclose(table, [[-1e-6, 1], [0, 2], [1e-6, 4], [2e-6, 8]], rtol=0, atol=1e-18)


def test_channels_whose_skew_was_corrected_come_back_at_their_instants(tmp_path: Path) -> None:
    path = tmp_path / "skewed.csv"
    waves = {
        name: Waveform.from_volts([0.0, 1.0, 0.5], interval=4e-9, start=start, name=name)
        for name, start in (("a", -1e-6), ("b", -1e-6 - 15.13e-12), ("far", -1e-6 + 1.9e-9))
    }
    write_waveforms(path, waves)
    found = read_waveforms(path)
    assert {name: wave.start for name, wave in found.items()} == {name: wave.start for name, wave in waves.items()}
    with pytest.raises(Misuse, match="not on one time axis"):
        write_waveforms(path, {**waves, "too_far": replace(waves["a"], start=-1e-6 + 2.1e-9)})
    path.write_text(path.read_text().replace("# axis of b: start -", "# axis of b: start x"))
    with pytest.raises(FileFault, match="start `x"):
        read_waveforms(path)
