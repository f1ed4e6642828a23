"""What frames say as bytes and as text, whether a frame is a single character or a whole message."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from wavewright.buses.line.columns import Flags, Numbers

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.buses.frames import Frames

SOURCES = ("_raw", "data", "text", "mosi", "miso", "sample")
"""Fields that are examined for content, the first that is there; `_raw` are all bytes of a frame as they were sent."""


def frames_with(frames: Frames, places: Callable[[bytes], list[tuple[int, int]]]) -> Flags:
    """Which frames hold, or take part in, something that is searched for in their bytes.

    Where every frame is one character or word, these are strung together, and what is found may span frames; a frame
    without a readable value ends the string. Where a frame has bytes of its own, each is searched alone.

    Parameters
    ----------
    places : for some bytes, where what is searched for lies in them: first, last (exclusive).
    """
    found = np.zeros(len(frames), dtype=np.bool_)
    for name in SOURCES:
        column = frames.columns.get(name)
        if isinstance(column, Numbers):
            for begin, string in _strings(column):
                for first, last in places(string):
                    found[begin + first : begin + last] = True
        elif column is not None:
            found |= [bool(places(_as_bytes(value))) for value in column.to_list()]
        if name == "_raw" and column is not None:
            break
    return found


def clean_strings(frames: Frames) -> list[bytes]:
    """What was said without a fault, as pieces of bytes: a frame with an error ends a piece, and is in none.

    Characters and words are strung together as in `frames_with`; a frame that has bytes of its own is a piece.
    """
    clean = ~np.any([*frames.errors_by_word.values(), np.zeros(len(frames), dtype=np.bool_)], axis=0)
    for name in SOURCES:
        column = frames.columns.get(name)
        if isinstance(column, Numbers):
            present = clean if column.present is None else clean & column.present
            return [string for _, string in _strings(Numbers(column.values, present))]
        if column is not None:
            return [_as_bytes(value) for value, good in zip(column.to_list(), clean, strict=True) if good]
    return []


def _as_bytes(value: object) -> bytes:
    if isinstance(value, bytes):
        return value
    return value.encode("latin-1", "replace") if isinstance(value, str) else b""


def _strings(column: Numbers) -> list[tuple[int, bytes]]:
    """Pieces of readable values as bytes, and the frame at which each begins; of wide words the lowest byte."""
    values = (column.values & 0xFF).astype(np.uint8)
    if column.present is None:
        return [(0, values.tobytes())]
    edges: npt.NDArray[np.int64] = np.flatnonzero(np.diff(np.concatenate([[0], column.present.astype(np.int8), [0]])))
    return [(int(a), values[a:b].tobytes()) for a, b in edges.reshape(-1, 2)]
