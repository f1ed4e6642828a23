"""NumPy's own files: an archive of arrays (NPZ), or one array (NPY).

Read: an array a channel, with an array `time` (s), or numbers `interval` (s) or `rate` (Hz) and `start` (s), among
them; or files of ours, which have the same arrays and a JSON text `waveforms` with the scale of each. Nothing is lost.
Pickled objects are never read.
"""

from __future__ import annotations

import json
import tokenize
import zipfile
import zlib
from pathlib import Path
from typing import IO, Any

import numpy as np

from wavewright.errors import FileFault, Misuse
from wavewright.logbook.formats.catalogue import FileFormat, enter_format
from wavewright.logbook.formats.size_limits import check_unpacked, size_of_array
from wavewright.logbook.formats.time_axis import agreed_interval, missing_interval, regular_axis
from wavewright.logbook.formats.waveform_notes import note_of, noted_waveform
from wavewright.waveform import Capture, Codes, Waveform

_NOTES = "waveforms"
# What NumPy and the archive readers below it raise on damaged, encrypted or strangely packed files
_BROKEN = (
    *(ValueError, EOFError, KeyError, SyntaxError, RuntimeError, OverflowError, MemoryError),
    *(zipfile.BadZipFile, zlib.error, tokenize.TokenError),
)
_TIMES = ("time", "times", "t")
_STEPS = (*_TIMES, "interval", "rate")  # what says the time between two samples
_AXIS = (*_STEPS, "start")


def read_npz(path: Path, interval: float | None) -> dict[str, Waveform]:
    """Waveforms by the names of the arrays.

    Raises
    ------
    FileFault : broken, pickled, not one-dimensional, times that are not evenly spaced.
    Misuse : no time axis and no interval.
    """
    arrays = _load(path, interval)
    try:
        if _NOTES in arrays:
            return _noted_waveforms(arrays, interval, str(path))
        start, step = _axis(arrays, interval, str(path))
        channels = {name: codes for name, codes in arrays.items() if name not in _AXIS}
        if not channels:
            raise FileFault("no array of samples", where=str(path), expected=f"an array beside {', '.join(_AXIS)}")
        return {
            name: Waveform(
                codes.astype(codes.dtype.newbyteorder("="), copy=False), interval=step, start=start, name=name
            )
            for name, codes in channels.items()
        }
    except Misuse as fault:
        if "codes of shape" not in fault.what:
            raise
        raise FileFault(fault.what, where=str(path), expected=fault.expected) from fault


def _load(path: Path, interval: float | None) -> dict[str, Codes]:
    """The arrays; samples are unpacked only where there is a time axis for them."""
    try:
        _check_sizes(path)
        if not zipfile.is_zipfile(path):
            if interval is None:
                raise missing_interval(str(path))
            return {path.stem or "channel1": np.load(path, allow_pickle=False)}
        with np.load(path, allow_pickle=False) as loaded:
            if interval is None and not {*_STEPS, _NOTES} & set(loaded.files):
                raise missing_interval(str(path))
            return {name: loaded[name] for name in loaded.files}
    except _BROKEN as fault:
        raise FileFault(
            f"damaged, or not a NumPy file: {fault}",
            where=str(path),
            expected="arrays of numbers without pickled objects",
        ) from fault


def _check_sizes(path: Path) -> None:
    """See from the headers alone what the arrays need; one that states more than is there is broken.

    Raises
    ------
    FileFault : too much to unpack.
    ValueError, zipfile.BadZipFile, … : no NumPy file.
    """
    if not zipfile.is_zipfile(path):
        with path.open("rb") as stream:
            _check_header(stream, path.stat().st_size, f"{path}")
        return
    with zipfile.ZipFile(path) as archive:
        members = archive.infolist()
        check_unpacked(sum(member.file_size for member in members), str(path))
        for member in members:
            if member.filename.endswith(".npy"):
                with archive.open(member) as stream:
                    _check_header(stream, member.file_size, f"{path}, {member.filename}")


def _check_header(stream: IO[bytes], size: int, where: str) -> None:
    """Compare the size of an array as its header states it with the bytes that are there."""
    version = np.lib.format.read_magic(stream)
    read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
    shape, _, dtype = read(stream)
    stated = size_of_array(shape, dtype.itemsize)
    check_unpacked(stated, where)
    if not dtype.hasobject and stated > size:
        raise ValueError(f"{stated} bytes of samples in {size} bytes")


def _axis(arrays: dict[str, Codes], given: float | None, file: str) -> tuple[float, float]:
    start = float(arrays["start"]) if "start" in arrays else 0.0
    for name in _TIMES:
        if name in arrays:
            times = np.asarray(arrays[name], dtype=np.float64)
            first, own = regular_axis(
                times,
                resolution=0.0,
                file=file,
                place=lambda index: f"{file}, `{name}`[{index}]",  # noqa: B023
            )
            return first, agreed_interval(own, given, file=file)
    if "interval" in arrays:
        return start, agreed_interval(float(arrays["interval"]), given, file=file)
    if "rate" in arrays:
        return start, agreed_interval(1 / float(arrays["rate"]), given, file=file)
    assert given is not None  # without either nothing was loaded
    return start, given


def _noted_waveforms(arrays: dict[str, Codes], interval: float | None, file: str) -> dict[str, Waveform]:
    try:
        notes = [(str(note["channel"]), arrays[note["array"]], note) for note in json.loads(str(arrays[_NOTES]))]
    except (ValueError, TypeError, KeyError) as fault:
        raise FileFault(f"the scales of the channels are broken: {fault!r}", where=file, expected="JSON") from fault
    return {channel: noted_waveform(codes, note, interval, file=file) for channel, codes, note in notes}


def write_npz(path: Path, capture: Capture) -> None:
    """The codes of each channel, and a JSON text with the scales."""
    waves = list(capture.waveforms.items())
    notes = [{"array": f"codes{number}", **note_of(*entry)} for number, entry in enumerate(waves)]
    arrays: dict[str, Any] = {f"codes{number}": wave.codes for number, (_, wave) in enumerate(waves)}
    arrays[_NOTES] = np.array(json.dumps(notes))
    with path.open("wb") as file:
        np.savez(file, **arrays)


def write_npy(path: Path, capture: Capture) -> None:
    """One array has no room for a scale: refused."""
    raise Misuse(
        f"{path.suffix}: a single array keeps neither scale nor time", expected=".npz", do="write an .npz file"
    )


enter_format(
    FileFormat(
        name="npz", suffixes=(".npz",), about="NumPy archive; everything is kept", read=read_npz, write=write_npz
    )
)
enter_format(
    FileFormat(
        name="npy",
        suffixes=(".npy",),
        about="one NumPy array; only read, with `interval`",
        read=read_npz,
        write=write_npy,
    )
)
