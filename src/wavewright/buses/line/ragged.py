"""Pieces of an array: many short pieces of one long array, handled together."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.buses.line.columns import Flags, Indexes


def piece_indices(first: Indexes, counts: Indexes) -> Indexes:
    """Indices of all elements of all pieces, one piece after the other: `first[k], first[k] + 1, …` for each k."""
    before = np.cumsum(counts) - counts
    index: Indexes = np.repeat(first - before, counts) + np.arange(int(counts.sum()))
    return index


def batches(first: Indexes, last: Indexes, size: int) -> Iterator[slice]:
    """Slices of ascending pieces, those that lie within about `size` elements of the array together."""
    begin = 0
    while begin < first.size:
        end = max(int(np.searchsorted(last, first[begin] + size, side="right")), begin + 1)
        yield slice(begin, end)
        begin = end


def reduce_each(function: np.ufunc, values: npt.NDArray[Any], first: Indexes, last: Indexes, *, empty: Any) -> Any:
    """`function` over each piece `values[first[k]:last[k]]` (minimum, maximum, add), and `empty` for an empty one."""
    result = np.full(first.size, empty, dtype=values.dtype)
    filled = last > first
    if filled.any():
        bounds = np.column_stack([first[filled], last[filled]]).ravel()
        if bounds[-1] == values.size:  # the last piece goes on to the end by itself
            bounds = bounds[:-1]
        result[filled] = function.reduceat(values, bounds)[::2]
    return result


def any_of_each(where: Flags, first: Indexes, last: Indexes) -> Flags:
    """For each piece, whether any element is true."""
    if not where.any():
        return np.zeros(first.size, dtype=np.bool_)
    counts = np.concatenate([[0], np.cumsum(where)])
    return np.asarray(counts[np.maximum(first, last)] > counts[first])


class Octets:
    """Eight bits each, most significant first, from any place in a row of bits on."""

    def __init__(self, bits: Flags) -> None:
        padded = np.zeros(bits.size + 16, dtype=np.bool_)
        padded[8:-8] = bits
        self._packed = np.append(np.packbits(padded), np.zeros(2, dtype=np.uint8)).astype(np.uint16)

    def at(self, places: Indexes) -> npt.NDArray[np.uint8]:
        """The bits from each place on, −8 … the number of bits; zeros in front of the row and after it."""
        moved = places + 8
        whole, shift = moved >> 3, (moved & 7).astype(np.uint16)
        pairs = self._packed.take(whole) << np.uint16(8) | self._packed.take(whole + 1)
        return (pairs >> (np.uint16(8) - shift)).astype(np.uint8)
