"""WAV files: PCM of 8 to 64 bits and IEEE floats; codes stay the integers that the converter gave.

Samples of 8 bits are offset binary (128 is zero), wider ones two's complement; fewer valid bits than the container
has are left-aligned. A WAV file has no volts: values are ratios of full scale, unless the file is one of ours, which
keeps scale, unit, name and time axis of every channel in the standard comment (`LIST`, `INFO`, `ICMT`).

SciPy's reader is not used: it passes over that comment, moves 24 bits to the top of 32, and takes no notice of how many
bits are valid; codes would not come back as they were.
"""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from wavewright.errors import FileFault, Misuse
from wavewright.logbook.formats.catalogue import FileFormat, enter_format
from wavewright.logbook.formats.riff import RiffFile, read_riff
from wavewright.logbook.formats.time_axis import agreed_interval
from wavewright.logbook.formats.waveform_notes import Note, note_of, noted_waveform
from wavewright.waveform import Capture, Codes, Waveform

_PCM, _FLOAT, _EXTENSIBLE = 0x0001, 0x0003, 0xFFFE
_SIGN = "wavewright:"  # what our comment begins with
_LONGEST = 0xFFFFFFF0
# What is written for codes of a type, and the shift that brings it there: WAV has no signed 8 bits, no unsigned 16
_STORED_AS = {
    "uint8": ("u1", 0),
    "int8": ("u1", 128),
    "int16": ("<i2", 0),
    "uint16": ("<i2", -(2**15)),
    "int32": ("<i4", 0),
    "uint32": ("<i4", -(2**31)),
    "int64": ("<i8", 0),
    "float32": ("<f4", 0),
    "float64": ("<f8", 0),
}


@dataclass(frozen=True, slots=True)
class _Form:
    """The `fmt ` chunk: how one sample of all channels lies in `frame` bytes."""

    is_float: bool
    channels: int
    rate: int
    frame: int
    bits: int

    @property
    def width(self) -> int:
        """Bytes of one sample of one channel."""
        return self.frame // self.channels


def read_wav(path: Path, interval: float | None) -> dict[str, Waveform]:
    """Waveforms `channel1`, `channel2`, …, or by the names in our own comment.

    Raises
    ------
    FileFault : broken, compressed, or a form that contradicts itself; says at which byte.
    """
    riff = read_riff(path)
    form = _read_form(riff)
    columns = _read_columns(riff, form)
    notes = _read_notes(riff)
    if notes is not None and len(notes) == form.channels:
        return {
            key: noted_waveform(_original(column, note, str(path)), note, interval, file=str(path))
            for column, (key, note) in zip(columns, notes.items(), strict=True)
        }
    step = agreed_interval(1 / form.rate, interval, file=str(path))
    return {
        f"channel{number}": Waveform(column, **_full_scale(form), interval=step, unit="1", name=f"channel{number}")
        for number, column in enumerate(columns, start=1)
    }


def _read_form(riff: RiffFile) -> _Form:
    chunk = riff.find(b"fmt ")
    if chunk is None or chunk.length < 16:
        raise FileFault("no chunk `fmt ` of 16 bytes or more", where=riff.file, expected="one, ahead of the samples")
    content = riff.content(chunk)
    where = f"{riff.file}, byte {chunk.start}"
    tag, channels, rate, _, frame, bits = struct.unpack(f"{riff.order}HHIIHH", content[:16])
    if tag == _EXTENSIBLE and len(content) >= 28:
        (tag,) = struct.unpack(f"{riff.order}I", content[24:28])  # first part of the sub-format's identifier
    if tag not in (_PCM, _FLOAT):
        raise FileFault(
            f"samples in form {tag:#06x}: compressed, or of a kind that we do not know",
            where=where,
            expected=f"{_PCM:#06x} (PCM) or {_FLOAT:#06x} (IEEE float)",
            do="export it as PCM",
        )
    form = _Form(tag == _FLOAT, channels, rate, frame, bits)
    fits = channels and rate and frame % channels == 0 and 8 * (form.width - 1) < bits <= 8 * form.width
    widths = (4, 8) if form.is_float else range(1, 9)
    if not fits or form.width not in widths:
        raise FileFault(
            f"{channels} channels of {bits} bits at {rate} Hz in {frame} bytes per frame",
            where=where,
            expected=f"{channels} × {-(-bits // 8)} bytes per frame",
            do="the header is broken: export the file again",
        )
    return form


def _read_columns(riff: RiffFile, form: _Form) -> list[Codes]:
    chunk = riff.find(b"data")
    if chunk is None:
        raise FileFault(
            "no chunk `data`", where=f"{riff.file}, byte {riff.size}", expected="the samples after the chunk `fmt `"
        )
    if chunk.length % form.frame:
        raise FileFault(
            f"chunk `data` of {chunk.length} bytes",
            where=f"{riff.file}, byte {chunk.start}",
            expected=f"a multiple of {form.frame}, the bytes of one frame",
        )
    if form.width in (1, 2, 4, 8):
        kind = "f" if form.is_float else ("u" if form.width == 1 else "i")
        flat = np.fromfile(riff.file, f"{riff.order}{kind}{form.width}", chunk.length // form.width, offset=chunk.start)
        flat = flat.astype(flat.dtype.newbyteorder("="), copy=False)
    else:
        flat = _widened(np.fromfile(riff.file, np.uint8, chunk.length, offset=chunk.start), form.width, riff.order)
    frames = flat.reshape(-1, form.channels)
    return [np.ascontiguousarray(frames[:, channel]) for channel in range(form.channels)]


def _widened(packed: Codes, width: int, order: str) -> Codes:
    """Packed two's complement of 3, 5, 6 or 7 bytes to int32 or int64, right-aligned: the converter's own codes."""
    room = 4 if width == 3 else 8
    aligned = np.zeros((packed.size // width, room), dtype=np.uint8)
    aligned[:, : room - width] = 0
    if order == "<":
        aligned[:, room - width :] = packed.reshape(-1, width)
    else:
        aligned[:, :width] = packed.reshape(-1, width)
    wide = aligned.view(f"{order}i{room}").ravel().astype(f"=i{room}")
    return wide >> (8 * (room - width))


def _full_scale(form: _Form) -> dict[str, Any]:
    """Gain, offset and code range for values of −1 … 1."""
    if form.is_float:
        return {"gain": 1.0}
    half = 2 ** (8 * form.width - 1)
    unused = 2 ** (8 * form.width - form.bits)  # left-aligned: the lowest bits are always 0
    if form.width == 1:
        return {"gain": 1 / half, "offset": -1.0, "code_range": (0, 2 * half - unused)}
    return {"gain": 1 / half, "code_range": (-half, half - unused)}


def _read_notes(riff: RiffFile) -> dict[str, Note] | None:
    """What our own comment says of every channel; None for a file of somebody else."""
    chunk = riff.find(b"LIST")
    if chunk is None or not (content := riff.content(chunk)).startswith(b"INFOICMT"):
        return None
    (length,) = struct.unpack(f"{riff.order}I", content[8:12])
    text = content[12 : 12 + length].rstrip(b"\0").decode("utf-8", errors="replace")
    if not text.startswith(_SIGN):
        return None
    try:
        notes = json.loads(text.removeprefix(_SIGN))
        return {str(note["channel"]): note for note in notes}
    except (ValueError, TypeError, KeyError) as fault:
        raise FileFault(
            f"the comment with the scales is broken: {fault}", where=f"{riff.file}, byte {chunk.start}", expected="JSON"
        ) from fault


def _original(column: Codes, note: Note, file: str) -> Codes:
    """The codes in the type that they had before they were written."""
    kind = str(note.get("codes"))
    if kind not in _STORED_AS:
        raise FileFault(f"codes of type `{kind}`", where=file, expected=f"one of {', '.join(_STORED_AS)}")
    _, shift = _STORED_AS[kind]
    return (column.astype(np.int64) - shift).astype(kind) if shift else column.astype(kind, copy=False)


def write_wav(path: Path, capture: Capture) -> None:
    """PCM or float samples of the codes as they are; scale, unit, name and time axis go into the comment.

    Raises
    ------
    Misuse : channels of different length or type of code, a type that WAV does not have, more than 4 GiB.
    """
    waves = list(capture.waveforms.values())
    first = waves[0]
    if any(len(wave) != len(first) or wave.codes.dtype != first.codes.dtype for wave in waves):
        raise Misuse(
            f"channels of {', '.join(f'{len(wave)} × {wave.codes.dtype}' for wave in waves)}",
            expected="the same number of samples and type of code in all channels of a WAV file",
            do="write each to a file of its own, or all to an .h5 file",
        )
    if first.codes.dtype.name not in _STORED_AS:
        raise Misuse(f"codes of type {first.codes.dtype}", expected=f"one of {', '.join(_STORED_AS)}, for a WAV file")
    stored, shift = _STORED_AS[first.codes.dtype.name]
    frames = np.empty((len(first), len(waves)), dtype=stored)
    for channel, wave in enumerate(waves):
        frames[:, channel] = wave.codes + np.int64(shift) if shift else wave.codes
    if frames.nbytes > _LONGEST:
        raise Misuse(f"{frames.nbytes} bytes of samples", expected="at most 4 GiB", do="write an .h5 file")
    rate = min(max(round(1 / first.interval), 1), 0xFFFFFFFF)  # whole hertz is all it can say; the comment is exact
    _write_chunks(path, frames, rate, json.dumps([note_of(key, wave) for key, wave in capture.waveforms.items()]))


def _write_chunks(path: Path, frames: Codes, rate: int, notes: str) -> None:
    width, channels = frames.itemsize, frames.shape[1]
    tag = _FLOAT if frames.dtype.kind == "f" else _PCM
    second = min(rate * width * channels, 0xFFFFFFFF)
    form = struct.pack("<HHIIHH", tag, channels, rate, second, width * channels, 8 * width)
    if tag == _FLOAT:  # a form that is not PCM has the length of its extension, and states the number of samples
        form += struct.pack("<H", 0)
    comment = f"{_SIGN}{notes}".encode() + b"\0"
    comment += b"\0" * (len(comment) % 2)
    parts = [(b"fmt ", form), (b"LIST", b"INFOICMT" + struct.pack("<I", len(comment)) + comment)]
    if tag == _FLOAT:
        parts.insert(1, (b"fact", struct.pack("<I", frames.shape[0])))
    head = b"".join(name + struct.pack("<I", len(part)) + part for name, part in parts)
    padding = b"\0" * (frames.nbytes % 2)
    with path.open("wb") as file:
        file.write(b"RIFF" + struct.pack("<I", 4 + len(head) + 8 + frames.nbytes + len(padding)) + b"WAVE" + head)
        file.write(b"data" + struct.pack("<I", frames.nbytes))
        frames.tofile(file)
        file.write(padding)


enter_format(
    FileFormat(
        name="wav",
        suffixes=(".wav",),
        about="PCM or float samples; codes exact, the scale is kept in the comment",
        read=read_wav,
        write=write_wav,
    )
)
