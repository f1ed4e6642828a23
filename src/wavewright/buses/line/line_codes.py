"""Line codes: how bits become levels, and levels bits again, for rows of bits of equal length.

NRZI, bit stuffing and biphase mark as in USB 2.0, 7.1.8 to 7.1.10, and IEC 60958 †.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Bits = npt.NDArray[np.bool_]


def nrzi_levels(bits: npt.ArrayLike, *, toggles_on: int, level: int) -> Bits:
    """Levels of NRZI: one kind of bit turns the level over, the other keeps it; `level` stood before the first."""
    turns = np.asarray(bits).astype(np.int64) == toggles_on
    return np.asarray((np.cumsum(turns) & 1 != 0) ^ bool(level))


def nrzi_bits(levels: npt.ArrayLike, *, toggles_on: int, level: int) -> Bits:
    """Bits that NRZI levels stand for."""
    each = np.asarray(levels).astype(np.bool_)
    turns = each != np.concatenate([[bool(level)], each[:-1]])
    return np.asarray(turns if toggles_on == 1 else ~turns)


def stuffed_bits(bits: npt.ArrayLike, *, longest: int = 6) -> Bits:
    """Bits with a 0 put in after so many ones in a row."""
    line: list[bool] = []
    run = 0
    for bit in np.asarray(bits).astype(np.bool_).tolist():
        line.append(bit)
        run = run + 1 if bit else 0
        if run == longest:
            line.append(False)
            run = 0
    return np.array(line, dtype=np.bool_)


def unstuffed_bits(line: npt.ArrayLike, *, longest: int = 6) -> tuple[Bits, bool]:
    """The bits without those put in, and whether all of them were 0 as they must be."""
    kept: list[bool] = []
    run, sound = 0, True
    for bit in np.asarray(line).astype(np.bool_).tolist():
        if run == longest:
            sound &= not bit
            run = 0
            continue
        kept.append(bit)
        run = run + 1 if bit else 0
    return np.array(kept, dtype=np.bool_), sound


def biphase_mark_halves(bits: npt.ArrayLike, *, level: int) -> Bits:
    """Levels of half bits: a change at the beginning of each bit, and one in the middle of a 1."""
    turns = np.column_stack([np.ones_like(np.asarray(bits), dtype=np.bool_), np.asarray(bits).astype(np.bool_)]).ravel()
    return np.asarray((np.cumsum(turns) & 1 != 0) ^ bool(level))


def biphase_mark_bits(halves: npt.ArrayLike) -> Bits:
    """Bits that biphase mark levels stand for; the first half bit begins a bit."""
    pairs = np.asarray(halves).astype(np.bool_).reshape(-1, 2)
    return np.asarray(pairs[:, 0] != pairs[:, 1])


def manchester_halves(bits: npt.ArrayLike, *, convention: str = "ieee") -> Bits:
    """Levels of half bits in Manchester code: `ieee`: 1 is low, then high; `inverted`: high, then low."""
    ones = np.asarray(bits).astype(np.bool_) ^ (convention == "inverted")
    return np.column_stack([~ones, ones]).ravel()
