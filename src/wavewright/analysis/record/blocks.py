"""Long records are worked through in blocks: how large these are, and where each begins and ends.

A size is chosen for what is done with a block; results do not depend on it beyond the rounding of sums.
"""

from __future__ import annotations

from collections.abc import Iterator

from wavewright.waveform import Codes

BLOCK = 1 << 16  # samples: 512 KiB as float64, which stays in a processor's second cache
CODES_BLOCK = 1 << 18  # samples that stay codes: a block and its working copy stay in the cache
FLAGS_BLOCK = 1 << 19  # samples of which only flags are kept: enough for the calls not to count
TABLES_BLOCK = 1 << 15  # samples beside tables as long as they are: all of them stay in the cache
WORDS_BLOCK = 1 << 13  # words of 64 marks that are looked at together
DOT_BLOCK = 1 << 13  # longer dot products are spread over threads, which wait for each other on a busy machine


def spans(first: int, last: int, size: int = BLOCK) -> Iterator[tuple[int, int]]:
    """Where each block of the samples `first` up to, and without, `last` begins, and the sample after its end.

    Examples
    --------
    >>> list(spans(0, 10, 4))
    [(0, 4), (4, 8), (8, 10)]
    """
    for begin in range(first, last, size):
        yield begin, min(begin + size, last)


def blocks(codes: Codes, size: int = CODES_BLOCK) -> Iterator[Codes]:
    """The codes block by block, in order; views, not copies."""
    for begin, end in spans(0, codes.size, size):
        yield codes[begin:end]
