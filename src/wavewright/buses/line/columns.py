"""Columns of a table of frames: one field of a million frames in a few arrays instead of a million objects."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any, Protocol, TypeAlias

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

Indexes: TypeAlias = "npt.NDArray[np.int64]"
Flags: TypeAlias = "npt.NDArray[np.bool_]"


class _Absence(Enum):
    """A class of one member: it stays itself when pickled."""

    ABSENT = "absent"


ABSENT: Any = _Absence.ABSENT
"""What a column answers for a frame that does not have the field."""


class Column(Protocol):
    """One field of all frames."""

    def __getitem__(self, row: int) -> Any:
        """The value in one frame, as a plain Python object, or ABSENT."""

    def take(self, rows: Indexes) -> Column:
        """The same field of some of the frames."""

    def to_list(self) -> list[Any]:
        """The values of all frames, as `[column[0], column[1], …]` but faster."""


@dataclass(frozen=True, slots=True, eq=False)
class Numbers:
    """Integers, floats or booleans, shape (n,). `present` is False where the frame does not have the field."""

    values: npt.NDArray[Any]
    present: Flags | None = None

    def __getitem__(self, row: int) -> Any:
        return self.values[row].item() if self.present is None or self.present[row] else ABSENT

    def take(self, rows: Indexes) -> Numbers:
        """The same field of some of the frames."""
        return Numbers(self.values[rows], None if self.present is None else self.present[rows])

    def to_list(self) -> list[Any]:
        """The values of all frames."""
        plain: list[Any] = self.values.tolist()
        return _only(plain, self.present)


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """Words out of a short list: `words[codes[row]]`; a negative code means that the frame has no such field."""

    codes: npt.NDArray[Any]
    words: tuple[str, ...]

    def __getitem__(self, row: int) -> Any:
        code = int(self.codes[row])
        return self.words[code] if code >= 0 else ABSENT

    def take(self, rows: Indexes) -> Words:
        """The same field of some of the frames."""
        return Words(self.codes[rows], self.words)

    def to_list(self) -> list[Any]:
        """The words of all frames."""
        words = (*self.words, ABSENT)
        return [words[max(code, -1)] for code in self.codes.tolist()]


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """A run of a common array for each frame: `values[first[row]:last[row]]`, as bytes, or a tuple where it is boolean.

    Parameters
    ----------
    values : uint8, or bool.
    first, last : int64, shape (n,).
    """

    values: npt.NDArray[Any]
    first: Indexes
    last: Indexes
    present: Flags | None = None

    def __getitem__(self, row: int) -> Any:
        if self.present is not None and not self.present[row]:
            return ABSENT
        part = self.values[self.first[row] : max(self.first[row], self.last[row])]
        return tuple(part.tolist()) if part.dtype == np.bool_ else part.tobytes()

    def take(self, rows: Indexes) -> Pieces:
        """The same field of some of the frames."""
        return Pieces(
            self.values, self.first[rows], self.last[rows], None if self.present is None else self.present[rows]
        )

    def to_list(self) -> list[Any]:
        """The runs of all frames."""
        part, bounds = _part(self.values, self.first, self.last)
        if part.dtype == np.bool_:
            flags = part.tolist()
            return _only([tuple(flags[first:last]) for first, last in bounds], self.present)
        values = part.tobytes()
        return _only([values[first:last] for first, last in bounds], self.present)

    @property
    def sizes(self) -> Indexes:
        """Number of values of each frame."""
        sizes: Indexes = np.maximum(self.last - self.first, 0)
        return sizes


@dataclass(frozen=True, slots=True, eq=False)
class BitTexts:
    """A run of common bits for each frame, as text of `0` and `1` in the order of time; shapes as in `Pieces`."""

    values: Flags
    first: Indexes
    last: Indexes
    present: Flags | None = None

    def __getitem__(self, row: int) -> Any:
        if self.present is not None and not self.present[row]:
            return ABSENT
        return self._text(self.values[self.first[row] : self.last[row]])

    def take(self, rows: Indexes) -> BitTexts:
        """The same field of some of the frames."""
        return BitTexts(
            self.values, self.first[rows], self.last[rows], None if self.present is None else self.present[rows]
        )

    def to_list(self) -> list[Any]:
        """The texts of all frames."""
        part, bounds = _part(self.values, self.first, self.last)
        text = self._text(part)
        return _only([text[first:last] for first, last in bounds], self.present)

    @staticmethod
    def _text(bits: Flags) -> str:
        return (bits.astype(np.uint8) + ord("0")).tobytes().decode("ascii")


@dataclass(frozen=True, slots=True, eq=False)
class Objects:
    """Any Python objects, one per frame, or ABSENT."""

    values: Sequence[Any]

    def __getitem__(self, row: int) -> Any:
        return self.values[row]

    def take(self, rows: Indexes) -> Objects:
        """The same field of some of the frames."""
        return Objects([self.values[row] for row in rows.tolist()])

    def to_list(self) -> list[Any]:
        """The objects of all frames."""
        return list(self.values)


def _part(
    values: npt.NDArray[Any], first: Indexes, last: Indexes
) -> tuple[npt.NDArray[Any], Iterator[tuple[int, int]]]:
    """The part of the values that the runs lie in, and where in it each begins and ends."""
    begin = int(first.min(initial=values.size))
    after = np.maximum(first, last)
    bounds = zip((first - begin).tolist(), (after - begin).tolist(), strict=True)
    return values[begin : int(after.max(initial=begin))], bounds


def _only(values: list[Any], present: Flags | None) -> list[Any]:
    if present is None:
        return values
    return [value if here else ABSENT for value, here in zip(values, present.tolist(), strict=True)]
