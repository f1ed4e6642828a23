"""Captures in HDF5: lossless, and refused with a reason when they are not ours."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import FileFault
from wavewright.logbook.formats.catalogue import read_waveform, read_waveforms, write_waveforms
from wavewright.logbook.formats.hdf5 import read_capture, read_waveform_group, write_capture, write_waveform
from wavewright.waveform import Capture, Waveform

FIELDS = ("gain", "offset", "interval", "start", "unit", "name", "code_range")
KINDS = (np.int8, np.uint8, np.int16, np.uint16, np.int32, np.float32, np.float64)


def assert_same(again: Waveform, wave: Waveform) -> None:
    assert again.codes.dtype == wave.codes.dtype
    np.testing.assert_array_equal(again.codes, wave.codes)
    for field in FIELDS:
        assert getattr(again, field) == getattr(wave, field), field


@given(
    codes=st.lists(st.integers(0, 127), max_size=30),
    kind=st.sampled_from(KINDS),
    gain=st.floats(-1e6, 1e6).filter(bool),
    offset=st.floats(-1e6, 1e6),
    interval=st.floats(1e-15, 1e6),
    start=st.floats(-1e6, 1e6),
    name=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")),
    code_range=st.none() | st.tuples(st.integers(-(2**31), 0), st.integers(1, 2**31)),
    compression=st.none() | st.just("gzip"),
)
def test_a_waveform_in_a_group_comes_back_whole(
    *, codes, kind, gain, offset, interval, start, name, code_range, compression
) -> None:
    wave = Waveform(
        np.array(codes, kind),
        gain=gain,
        offset=offset,
        interval=interval,
        start=start,
        name=name,
        code_range=code_range,
    )
    with h5py.File("memory", "w", driver="core", backing_store=False) as file:
        write_waveform(file.create_group("any/depth"), wave, compression=compression)
        assert_same(read_waveform_group(file["any/depth"]), wave)


def test_a_capture_keeps_everything(tmp_path: Path) -> None:
    rail = Waveform(np.array([1.0, np.nan, 3.0]), interval=1e-9, start=-1e-9, name="rail")
    capture = Capture(
        waveforms={
            "a/b": rail,
            "reset": Waveform(np.array([-128, 127], np.int8), interval=2e-9, code_range=(-128, 127)),
        },
        trigger_time=3e-10,
        triggered=False,
        settings={"input1.range": 8.0, "input1.coupling": "dc", "trigger.auto": True},
        identity="Example,D1,0,1.0",
        taken=datetime(2026, 3, 1, 12, 30, 15, 250, tzinfo=UTC),
    )
    with h5py.File(tmp_path / "shot.h5", "w") as file:
        write_capture(file, capture)
    with h5py.File(tmp_path / "shot.h5") as file:
        again = read_capture(file)
    assert list(again.waveforms) == ["a/b", "reset"]
    for name, wave in capture.waveforms.items():
        assert_same(again[name], wave)
    for field in ("trigger_time", "triggered", "settings", "identity", "taken"):
        assert getattr(again, field) == getattr(capture, field), field


def test_channels_keep_their_order_beyond_ten(tmp_path: Path) -> None:
    names = [f"line{k}" for k in range(12)]
    write_waveforms(tmp_path / "bus.h5", {name: Waveform(np.zeros(1, np.int8), interval=1.0) for name in names})
    assert list(read_waveforms(tmp_path / "bus.h5")) == names


def test_a_part_of_a_record_is_read_with_its_own_start() -> None:
    with h5py.File("memory", "w", driver="core", backing_store=False) as file:
        write_waveform(file, Waveform(np.arange(1000, dtype=np.int16), interval=1e-3, start=-0.5))
        part = read_waveform_group(file, first=600, last=603)
    assert part.codes.tolist() == [600, 601, 602]
    assert part.start == pytest.approx(0.1)


def test_somebody_elses_hdf5_is_refused(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = np.zeros(3)
    with pytest.raises(FileFault, match="not a capture of ours"):
        read_waveform(tmp_path / "other.h5")


def test_a_group_that_lacks_a_scale_is_named(tmp_path: Path) -> None:
    write_waveforms(tmp_path / "shot.h5", {"rail": Waveform.from_volts([1, 2], interval=1.0)})
    with h5py.File(tmp_path / "shot.h5", "r+") as file:
        del file["waveforms/0"].attrs["gain"]
    with pytest.raises(FileFault, match=r"shot.h5: group `/waveforms/0` has no `gain`"):
        read_waveform(tmp_path / "shot.h5")


def test_a_later_layout_is_refused(tmp_path: Path) -> None:
    write_waveforms(tmp_path / "shot.h5", {"rail": Waveform.from_volts([1, 2], interval=1.0)})
    with h5py.File(tmp_path / "shot.h5", "r+") as file:
        file.attrs["layout_version"] = 99
    with pytest.raises(FileFault, match="layout version 99"):
        read_waveform(tmp_path / "shot.h5")


def test_half_a_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "shot.h5"
    write_waveforms(path, {"rail": Waveform.from_volts(np.arange(1000), interval=1.0)})
    path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(FileFault, match=r"shot.h5: damaged, or not an HDF5 file"):
        read_waveform(path)
