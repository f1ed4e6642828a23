"""The catalogue of waveform files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.formats.catalogue import enter_format, file_formats, read_waveform, write_waveforms
from wavewright.waveform import Waveform

RAIL = Waveform(np.array([0, 50, 100, 50], np.int8), gain=0.01, interval=1e-6, start=-1e-6, name="rail")


def test_the_formats_of_the_manual_are_there() -> None:
    assert {".csv", ".wav", ".h5", ".hdf5", ".npz", ".dif"} <= set(file_formats())


@pytest.mark.parametrize("suffix", [s for s, entry in file_formats().items() if entry.name != "npy"])
def test_values_and_time_axis_survive_in_every_format(tmp_path: Path, suffix: str) -> None:
    write_waveforms(tmp_path / f"shot{suffix}", {"rail": RAIL})
    again = read_waveform(tmp_path / f"shot{suffix}", channel="rail")
    assert again.values().tolist() == RAIL.values().tolist()
    assert (again.interval, again.start, again.unit) == (1e-6, -1e-6, "V")


@pytest.mark.parametrize("suffix", [s for s, entry in file_formats().items() if entry.name not in ("npy", "csv")])
def test_codes_stay_codes_in_every_binary_format(tmp_path: Path, suffix: str) -> None:
    write_waveforms(tmp_path / f"shot{suffix}", {"rail": RAIL})
    again = read_waveform(tmp_path / f"shot{suffix}")
    assert again.codes.dtype == np.int8
    assert again.gain == 0.01


def test_capital_suffixes_serve(tmp_path: Path) -> None:
    write_waveforms(tmp_path / "SHOT.NPZ", {"rail": RAIL})
    assert len(read_waveform(tmp_path / "SHOT.NPZ")) == 4


def test_an_unknown_suffix_names_the_nearest() -> None:
    with pytest.raises(Misuse, match=r"no waveform file has the suffix `\.wave`") as fault:
        read_waveform("trace.wave")
    assert fault.value.do == "did you mean `.wav`?"
    assert ".dif" in fault.value.expected


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "shot.wav"
    write_waveforms(path, {"rail": RAIL})
    before = path.read_bytes()
    with pytest.raises(Misuse):
        write_waveforms(path, {"rail": RAIL, "short": Waveform(np.zeros(1, np.int8), interval=1.0)})
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["shot.wav"]


def test_a_write_that_breaks_off_in_the_middle_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(UnicodeEncodeError):  # half of a character: the file is open by then
        write_waveforms(tmp_path / "shot.csv", {"\ud800": RAIL})
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(StorageFault, match="No such file or directory"):
        write_waveforms(tmp_path / "none" / "shot.csv", {"rail": RAIL})


def test_nothing_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(Misuse, match="nothing to write"):
        write_waveforms(tmp_path / "shot.csv", {})


def test_a_suffix_is_never_taken_over() -> None:
    with pytest.raises(Misuse, match=r"suffix `.wav` already belongs to the format `wav`"):
        enter_format(file_formats()[".wav"])


@pytest.mark.parametrize("channel", [0, 2, "reset", True])
def test_a_channel_that_is_not_there_is_refused(tmp_path: Path, channel: int | str) -> None:
    write_waveforms(tmp_path / "shot.npz", {"rail": RAIL})
    with pytest.raises(Misuse, match=f"no channel `{channel}`"):
        read_waveform(tmp_path / "shot.npz", channel=channel)


@pytest.mark.parametrize("interval", [0.0, -1.0, float("inf"), float("nan")])
def test_an_interval_that_is_none_is_refused(interval: float) -> None:
    with pytest.raises(Misuse, match="`interval` is"):
        read_waveform("trace.csv", interval=interval)
