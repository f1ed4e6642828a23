"""Everything of a waveform but its codes, as plain numbers and words: for formats that keep them as text."""

from __future__ import annotations

from typing import Any

import numpy as np

from wavewright.errors import FileFault, Misuse
from wavewright.logbook.formats.time_axis import agreed_interval
from wavewright.waveform import Codes, Waveform

Note = dict[str, Any]  # as JSON gives it: examined with care in `noted_waveform`
_NUMBERS = ("gain", "offset", "interval", "start")
_WORDS = ("unit", "name")


def note_of(channel: str, wave: Waveform) -> Note:
    """The note of one channel; `codes` is the type of its codes."""
    code_range = None if wave.code_range is None else [np.asarray(code).item() for code in wave.code_range]
    numbers = {name: float(getattr(wave, name)) for name in _NUMBERS}
    words = {name: getattr(wave, name) for name in _WORDS}
    return {"channel": channel, "codes": wave.codes.dtype.name, **numbers, **words, "code_range": code_range}


def noted_waveform(codes: Codes, note: Note, interval: float | None, *, file: str) -> Waveform:
    """The waveform of codes and their note.

    Parameters
    ----------
    interval : s, what the caller says it is; refused if the note contradicts it.

    Raises
    ------
    FileFault : the note lacks something, or has a word in place of a number.
    """
    try:
        gain, offset, own, start = (float(note[name]) for name in _NUMBERS)
        unit, name = (str(note[word]) for word in _WORDS)
        code_range = None if note["code_range"] is None else _two_numbers(note["code_range"])
    except (KeyError, TypeError, ValueError) as fault:
        raise FileFault(
            f"the scale of a channel is incomplete or damaged: {fault}",
            where=file,
            expected=", ".join((*_NUMBERS, *_WORDS, "code_range")),
        ) from fault
    agreed_interval(own, interval, file=file)
    try:
        return Waveform(
            codes,
            gain=gain,
            offset=offset,
            interval=own,
            start=start,
            unit=unit,
            name=name,
            code_range=code_range,
        )
    except Misuse as fault:
        raise FileFault(fault.what, where=file, expected=fault.expected) from fault


def _two_numbers(pair: Any) -> tuple[float, float]:
    low, high = pair
    if not all(isinstance(code, (int, float)) for code in (low, high)):
        raise TypeError("code_range")
    return low, high
