"""Waveform files from elsewhere: none fills the memory, waits for ever, or reads another file of the user."""

from __future__ import annotations

import os
from pathlib import Path

import h5py
import numpy as np
import pytest

from wavewright.errors import FileFault
from wavewright.logbook.formats import hdf5_trial, size_limits
from wavewright.logbook.formats.catalogue import read_waveforms, write_waveforms
from wavewright.waveform import Capture, Waveform


def good(path: Path) -> Path:
    wave = Waveform(np.arange(-50, 50, dtype=np.int8), gain=0.1, interval=1e-6, name="rail")
    write_waveforms(path, Capture({"rail": wave}))
    return path


def refused(path: Path, why: str) -> None:
    with pytest.raises(FileFault, match=why) as caught:
        read_waveforms(path, interval=1e-6)
    assert str(path) in str(caught.value)


def test_an_archive_that_unpacks_to_more_than_it_may(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(size_limits, "MOST_BYTES", 1 << 24)
    path = tmp_path / "bomb.npz"
    np.savez_compressed(path, rail=np.zeros(1 << 25, np.int8))
    assert path.stat().st_size < 1 << 20
    refused(path, "GiB of samples")


def test_an_array_that_states_more_than_stands_there(tmp_path: Path) -> None:
    path = tmp_path / "liar.npy"
    with path.open("wb") as file:
        np.lib.format.write_array_header_1_0(file, {"descr": "|i1", "fortran_order": False, "shape": (3 << 30,)})
        file.write(b"abc")
    refused(path, "bytes of samples in")


def altered(path: Path, change: object) -> Path:
    with h5py.File(good(path), "r+") as file:
        group = file["waveforms/0"]
        del group["codes"]
        change(file, group)  # type: ignore[operator]
    return path


def test_samples_in_another_file_are_not_read(tmp_path: Path) -> None:
    secret = tmp_path / "secret.bin"
    secret.write_bytes(b"not yours" * 10)

    def external(file: h5py.File, group: h5py.Group) -> None:
        group.create_dataset("codes", (90,), dtype=np.int8, external=[(str(secret), 0, 90)])

    def linked(file: h5py.File, group: h5py.Group) -> None:
        with h5py.File(tmp_path / "other.h5", "w") as other:
            other["codes"] = np.zeros(10, np.int8)
        group["codes"] = h5py.ExternalLink(str(tmp_path / "other.h5"), "/codes")

    def soft(file: h5py.File, group: h5py.Group) -> None:
        file["elsewhere"] = np.zeros(10, np.int8)
        group["codes"] = h5py.SoftLink("/elsewhere")

    def virtual(file: h5py.File, group: h5py.Group) -> None:
        layout = h5py.VirtualLayout((10,), dtype=np.int8)
        layout[:] = h5py.VirtualSource(str(tmp_path / "other.h5"), "codes", (10,))
        group.create_virtual_dataset("codes", layout)

    for number, change in enumerate((external, linked, soft, virtual)):
        refused(altered(tmp_path / f"{number}.h5", change), "link to another place|another file")


def test_a_dataset_larger_than_the_memory_or_of_no_numbers(tmp_path: Path) -> None:
    def huge(file: h5py.File, group: h5py.Group) -> None:
        group.create_dataset("codes", (10**12,), dtype=np.int8, chunks=(1 << 20,))

    def typed(file: h5py.File, group: h5py.Group) -> None:
        group["codes"] = np.dtype("int8")

    refused(altered(tmp_path / "huge.h5", huge), "GiB of samples")
    refused(altered(tmp_path / "typed.h5", typed), "not a row of samples")


def test_a_table_of_one_line_of_two_million_cells(tmp_path: Path) -> None:
    path = tmp_path / "wide.csv"
    path.write_text("1," * 2_000_000, encoding="utf-8")
    refused(path, "a line of 4000000 characters")


@pytest.mark.posix("makes a pipe with a name, and has devices among the files")
def test_a_device_and_a_pipe_are_no_files(tmp_path: Path) -> None:
    (tmp_path / "endless.csv").symlink_to("/dev/zero")
    refused(tmp_path / "endless.csv", "not a file")
    os.mkfifo(tmp_path / "pipe.npz")
    refused(tmp_path / "pipe.npz", "not a file")


def test_a_channel_named_like_a_formula_is_not_written_into_a_table(tmp_path: Path) -> None:
    from wavewright.errors import Misuse

    wave = Waveform(np.zeros(4, np.int8), interval=1e-6, name="=cmd")
    with pytest.raises(Misuse, match="begins no formula"):
        write_waveforms(tmp_path / "x.csv", Capture({"=cmd": wave}))


@pytest.mark.posix("a pipe with a name stands in for a file that never ends")
def test_a_file_that_the_hdf5_library_never_comes_back_from_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hdf5_trial, "PATIENCE", 0.5)
    os.mkfifo(tmp_path / "endless.h5")
    with pytest.raises(FileFault, match="does not finish reading it"):
        hdf5_trial.check_comes_back(tmp_path / "endless.h5")
    monkeypatch.setattr(hdf5_trial, "PATIENCE", 60.0)
    assert read_waveforms(good(tmp_path / "next.h5"))["rail"].unit == "V"
