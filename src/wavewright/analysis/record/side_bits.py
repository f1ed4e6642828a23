"""Side bits: on which side of a level each sample lies, one bit each, so that 64 samples are looked at in one step.

A record has few changes of side and many samples: nearly all words of 64 bits are the same as a word without a change,
and are left out with one comparison each.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.waveform import Codes

WORD = 64
LAST = 63  # the bit of the last sample of a word
WORDS = "<u8"  # the first sample of a word is its lowest bit on any machine
DENSE = 4  # changes per word, from which the bits are looked at one by one

Indices: TypeAlias = "npt.NDArray[np.int64]"
Words: TypeAlias = "npt.NDArray[np.uint64]"


class SideScan:
    """Finds the samples after which a record changes between below, at and above a level, block by block.

    Parameters
    ----------
    codes : shape (n,), all finite.
    level : in codes.
    level_occurs : False where it is known that no sample is exactly at the level: saves a comparison.
    block : samples looked at in one step, at most.
    """

    def __init__(self, codes: Codes, level: float, *, level_occurs: bool, block: int) -> None:
        self._codes = codes
        is_whole = codes.dtype.kind in "iu"
        self._level: float = math.floor(level) if is_whole else level
        is_twofold = level_occurs and (not is_whole or self._level == level)
        self._comparisons = (np.greater, np.greater_equal) if is_twofold else (np.greater,)
        self._flags = np.empty(-(-min(block + 1, codes.size) // WORD) * WORD, dtype=np.bool_)

    def changed(self, begin: int, end: int) -> tuple[Indices, Words]:
        """Words with changes: their first samples, and a bit for each sample whose next one is on another side.

        Of the samples `begin` up to `end`, which is compared too.
        """
        part = self._codes[begin : end + 1]
        changes = self._changes(self._comparisons[0], part)
        for compare in self._comparisons[1:]:
            changes |= self._changes(compare, part)
        (found,) = (changes != 0).nonzero()
        return begin + WORD * found, changes[found]

    def _changes(self, compare: np.ufunc, part: Codes) -> Words:
        flags = self._flags[: -(-part.size // WORD) * WORD]
        compare(part, self._level, out=flags[: part.size])
        flags[part.size :] = flags[part.size - 1]
        sides = np.packbits(flags, bitorder="little").view(WORDS)
        after = sides >> np.uint64(1)
        after[:-1] |= sides[1:] << LAST
        after[-1] |= sides[-1] & (1 << LAST)
        after ^= sides
        return after


def places_of(starts: Indices, words: Words) -> Indices:
    """The places of the bits that are set, ascending.

    Parameters
    ----------
    starts : places of the lowest bits of the words, ascending.
    words : none of them 0.
    """
    firsts = starts + lowest_bit(words)
    several = np.flatnonzero(words & (words - 1))
    if not several.size:
        return np.asarray(firsts)
    counts = np.bitwise_count(words)
    ends = np.cumsum(counts, dtype=np.int64)
    if ends[-1] > DENSE * words.size:
        inside = np.flatnonzero(np.unpackbits(words.view(np.uint8), bitorder="little"))
        return np.asarray(starts[inside // WORD] + inside % WORD)
    found, order = np.empty(int(ends[-1]), dtype=np.int64), ends - counts
    found[order] = firsts
    left, first, order = words[several], starts[several], order[several]
    while left.size:
        left &= left - 1
        order += 1
        found[order] = first + lowest_bit(left)
        more = (left & (left - 1)) != 0
        if not more.all():
            left, first, order = left[more], first[more], order[more]
    return found


def lowest_bit(words: npt.NDArray[np.unsignedinteger]) -> npt.NDArray[np.uint8]:
    """Place of the lowest bit of each word that is set; none of them is 0.

    Examples
    --------
    >>> lowest_bit(np.array([1, 12, 128], dtype=np.uint32)).tolist()
    [0, 2, 7]
    """
    return np.bitwise_count((words - 1) & ~words)


def highest_bit(words: npt.NDArray[np.uint32]) -> npt.NDArray[np.uint8]:
    """Place of the highest bit of each word that is set; none of them is 0.

    Examples
    --------
    >>> highest_bit(np.array([1, 12, 128], dtype=np.uint32)).tolist()
    [0, 3, 7]
    """
    filled = words.copy()
    for width in (1, 2, 4, 8, 16):
        filled |= filled >> width
    return np.bitwise_count(filled) - np.uint8(1)
