"""NumPy archives: ours and other people's."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest

from wavewright.errors import FileFault, Misuse
from wavewright.logbook.formats.catalogue import read_waveform, read_waveforms, write_waveforms
from wavewright.waveform import Waveform


@pytest.mark.parametrize("kind", [np.int8, np.uint16, np.int32, np.float32, np.float64])
def test_a_capture_comes_back_whole(tmp_path: Path, kind: type) -> None:
    wave = Waveform(
        np.array([0, 1, 100], kind), gain=0.3, offset=1e-9, interval=1e-9 / 3, start=-2.0, unit="A", name="coil",
        code_range=(0, 100),
    )  # fmt: skip
    write_waveforms(tmp_path / "shot.npz", {"coil": wave, "file": wave})  # `file` is a name that NumPy uses itself
    again = read_waveforms(tmp_path / "shot.npz")
    assert list(again) == ["coil", "file"]
    assert again["coil"].codes.dtype == kind
    assert repr(again["coil"]) == repr(wave)
    for field in ("gain", "offset", "interval", "start", "code_range"):
        assert getattr(again["file"], field) == getattr(wave, field)


AXES = [
    ("time", {"time": np.arange(3) * 1e-3 - 1e-3}, -1e-3),
    ("interval and start", {"interval": 1e-3, "start": 5.0}, 5.0),
    ("rate", {"rate": 1000}, 0.0),
]


@pytest.mark.parametrize("arrays, start", [row[1:] for row in AXES], ids=[row[0] for row in AXES])
def test_arrays_of_other_people_are_channels(tmp_path: Path, arrays: dict, start: float) -> None:
    np.savez(tmp_path / "shot.npz", rail=np.array([1, 2, 3], ">i2"), **arrays)
    wave = read_waveform(tmp_path / "shot.npz", channel="rail")
    assert wave.codes.tolist() == [1, 2, 3]
    assert wave.codes.dtype.isnative
    assert (wave.interval, wave.start) == (pytest.approx(1e-3), pytest.approx(start))


def test_a_single_array_wants_an_interval(tmp_path: Path) -> None:
    np.save(tmp_path / "rail.npy", np.arange(4))
    assert read_waveform(tmp_path / "rail.npy", interval=1e-6, channel="rail").codes.tolist() == [0, 1, 2, 3]
    with pytest.raises(Misuse, match="does not contain the time"):
        read_waveform(tmp_path / "rail.npy")


def test_irregular_times_are_refused_by_index(tmp_path: Path) -> None:
    np.savez(tmp_path / "shot.npz", time=[0.0, 1.0, 2.0, 3.5, 4.5], rail=np.zeros(5))
    with pytest.raises(FileFault, match=r"`time`\[3\]: irregular time"):
        read_waveform(tmp_path / "shot.npz")


class Rude:
    def __reduce__(self):
        return Path.touch, (Path("must_not_exist"),)


def test_pickled_objects_are_never_loaded(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    np.savez(tmp_path / "shot.npz", rail=np.array([Rude()], dtype=object))
    (tmp_path / "plain.npz").write_bytes(pickle.dumps(Rude()))
    for name in ("shot.npz", "plain.npz"):
        with pytest.raises(FileFault, match="damaged, or not a NumPy file"):
            read_waveform(tmp_path / name, interval=1.0)
    assert not (tmp_path / "must_not_exist").exists()


def test_pictures_are_no_waveforms(tmp_path: Path) -> None:
    np.savez(tmp_path / "shot.npz", rail=np.zeros((2, 2)))
    with pytest.raises(FileFault, match=r"codes of shape \(2, 2\)"):
        read_waveform(tmp_path / "shot.npz", interval=1.0)


def test_half_a_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "shot.npz"
    write_waveforms(path, {"rail": Waveform.from_volts(np.arange(1000), interval=1.0)})
    path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(FileFault, match="damaged, or not a NumPy file"):
        read_waveform(path)


@pytest.mark.parametrize("suffix", [".npz", ".npy"])
def test_samples_without_a_time_axis_are_not_even_unpacked(tmp_path: Path, suffix: str) -> None:
    # given samples that are damaged: to read them would be another fault
    path = tmp_path / f"long{suffix}"
    np.savez(path, rail=np.arange(1000.0)) if suffix == ".npz" else np.save(path, np.array(range(1000), dtype=float))
    content = bytearray(path.read_bytes())
    content[2000] ^= 1
    path.write_bytes(content)
    with pytest.raises(Misuse, match="does not contain the time between two samples"):
        read_waveforms(path)
    if suffix == ".npz":
        with pytest.raises(FileFault, match="damaged"):
            read_waveforms(path, interval=1e-6)
