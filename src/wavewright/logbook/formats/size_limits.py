"""How much a waveform file may hold: seen before anything is unpacked, so that a small file cannot fill the memory."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from wavewright.errors import FileFault

MOST_BYTES = 4 << 30  # of all samples in one file, as they lie in memory
LONGEST_LINE = 1 << 20  # characters


def check_regular(path: Path) -> None:
    """See that a path is a file with an end, and not a device or a pipe.

    Raises
    ------
    FileFault : it is there, and is something else.
    """
    if path.exists() and not path.is_file():
        raise FileFault("this is not a file", where=str(path), expected="a regular file", do="copy the data into one")


def check_unpacked(size: int, where: str) -> None:
    """See that the samples of a file, once unpacked, are not too many.

    Parameters
    ----------
    size : bytes, as the file's own directory states them.

    Raises
    ------
    FileFault : more than 4 GiB.
    """
    if size > MOST_BYTES:
        raise FileFault(
            f"{size / 2**30:.1f} GiB of samples, once they are unpacked",
            where=where,
            expected=f"at most {MOST_BYTES >> 30} GiB in one file",
            do="write it in pieces, or with samples of fewer bytes",
        )


def size_of_array(shape: Sequence[int], itemsize: int) -> int:
    """Bytes of an array of that shape; exact, whatever a broken header says."""
    return math.prod(int(side) for side in shape) * int(itemsize)
