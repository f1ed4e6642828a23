"""One table of frames out of several, each of them with rows of its own: a bus carries frames of several formats."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.buses.frame import Frame
from wavewright.buses.frames import Frames
from wavewright.buses.line.columns import Column, Flags, Indexes, Numbers, Pieces, Words

if TYPE_CHECKING:
    import numpy.typing as npt


def frame_table(frames: Sequence[Frame]) -> Frames:
    """Frames that were made one by one, with their numbers, flags and bytes in arrays."""
    listed = Frames.of(frames)
    columns = {name: _column([frame.fields.get(name) for frame in frames]) for name in listed.columns}
    return Frames(listed.starts, listed.ends, listed.kinds, columns, errors=listed.errors_by_word)


def _column(values: list[Any]) -> Column:
    """One field; None where a frame does not have it."""
    present = np.array([value is not None for value in values], dtype=np.bool_)
    example = next(value for value in values if value is not None)
    if not isinstance(example, bytes):
        return Numbers(np.array([value or 0 for value in values], dtype=type(example)), present)
    last = np.cumsum([len(value or b"") for value in values], dtype=np.int64)
    joined = np.frombuffer(b"".join(value or b"" for value in values), dtype=np.uint8)
    return Pieces(joined, np.append(0, last[:-1]), last, present)


def interleaved(parts: Sequence[tuple[Indexes, Frames]], *, facts: Mapping[str, float]) -> Frames:
    """One table, as if its frames had been listed one by one: words and fields come in the order of their first use.

    Parameters
    ----------
    parts : tables, and which rows of the whole the frames of each are.
    """
    filled = [(rows, frames) for rows, frames in parts if rows.size]
    size = sum(rows.size for rows, _ in filled)
    starts, ends = np.empty(size), np.empty(size)
    for rows, frames in filled:
        starts[rows], ends[rows] = frames.starts, frames.ends
    return Frames(starts, ends, _kinds(filled, size), _columns(filled, size), errors=_errors(filled, size), facts=facts)


def _kinds(parts: list[tuple[Indexes, Frames]], size: int) -> Words:
    used = [(row, frames.kinds.words[code]) for rows, frames in parts for row, code in _first(rows, frames.kinds.codes)]
    words = tuple(dict.fromkeys(word for _, word in sorted(used)))
    codes = np.empty(size, dtype=np.int8)
    for rows, frames in parts:
        places = np.array([words.index(word) if word in words else -1 for word in frames.kinds.words], dtype=np.int8)
        codes[rows] = places[frames.kinds.codes]
    return Words(codes, words)


def _first(rows: Indexes, values: Any) -> list[tuple[int, int]]:
    """The first row of each value that occurs."""
    each, index = np.unique(values, return_index=True)
    return list(zip(rows[index].tolist(), each.tolist(), strict=True))


def _errors(parts: list[tuple[Indexes, Frames]], size: int) -> dict[str, Flags]:
    used: list[tuple[int, tuple[str, ...]]] = []
    for rows, frames in parts:
        told = frames.errors_by_word
        masks = np.zeros(rows.size, dtype=np.int64)
        for place, where in enumerate(told.values()):
            masks |= where.astype(np.int64) << place
        used += [
            (row, tuple(word for place, word in enumerate(told) if mask >> place & 1))
            for row, mask in _first(rows, masks)
        ]
    errors = {word: np.zeros(size, dtype=np.bool_) for _, words in sorted(used) for word in words}
    for rows, frames in parts:
        for word, where in frames.errors_by_word.items():
            if word in errors:
                errors[word][rows] = where
    return errors


def _columns(parts: list[tuple[Indexes, Frames]], size: int) -> dict[str, Column]:
    used: list[tuple[int, int, str]] = []
    for rows, frames in parts:
        for rank, (name, column) in enumerate(frames.columns.items()):
            present = _present(column, rows.size)
            if present.any():
                used.append((int(rows[present.argmax()]), rank, name))
    names = dict.fromkeys(name for _, _, name in sorted(used))
    return {
        name: _interleaved_column([(rows, frames.columns.get(name)) for rows, frames in parts], size) for name in names
    }


def _present(column: Column, size: int) -> Flags:
    assert isinstance(column, Numbers | Pieces)
    return np.ones(size, dtype=np.bool_) if column.present is None else column.present


def _interleaved_column(parts: list[tuple[Indexes, Column | None]], size: int) -> Column:
    present = np.zeros(size, dtype=np.bool_)
    for rows, column in parts:
        if column is not None:
            present[rows] = _present(column, rows.size)
    pieces = [(rows, column) for rows, column in parts if isinstance(column, Pieces)]
    if pieces:
        first, last = np.zeros(size, dtype=np.int64), np.zeros(size, dtype=np.int64)
        before = 0
        for rows, column in pieces:
            first[rows], last[rows] = column.first + before, column.last + before
            before += column.values.size
        return Pieces(np.concatenate([column.values for _, column in pieces]), first, last, present)
    numbers = [(rows, column) for rows, column in parts if isinstance(column, Numbers)]
    is_flag = all(column.values.dtype == np.bool_ for _, column in numbers)
    values: npt.NDArray[Any] = np.zeros(size, dtype=np.bool_ if is_flag else np.int64)
    for rows, column in numbers:
        values[rows] = column.values
    return Numbers(values, present)
