from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.record.side_bits import WORDS, SideScan, highest_bit, lowest_bit, places_of


@given(
    size=st.integers(2, 400),
    spread=st.integers(1, 5),
    seed=st.integers(0, 1000),
    kind=st.sampled_from([(np.int8, 0.0), (np.int8, -1.5), (np.int16, 2.0), (np.float64, 0.5), (np.float64, 0.0)]),
    block=st.sampled_from([8, 64, 65, 1000]),
)
def test_changes_of_side_are_those_between_neighbouring_signs(size, spread, seed, kind, block) -> None:
    dtype, level = kind
    codes = np.random.default_rng(seed).integers(-spread, spread, size).astype(dtype)
    scan = SideScan(codes, level, level_occurs=True, block=block)
    found = [places_of(*scan.changed(k, min(k + block, size - 1))) for k in range(0, size - 1, block)]
    expected = np.flatnonzero(np.diff(np.sign(codes - level)))
    assert np.concatenate(found).tolist() == expected.tolist()


@pytest.mark.parametrize("share", [0.01, 0.03, 0.5])
def test_places_are_those_of_the_bits_few_or_many(share: float) -> None:
    bits = np.random.default_rng(4).random(64 * 500) < share
    words = np.packbits(bits, bitorder="little").view(WORDS)
    (numbers,) = words.nonzero()
    assert places_of(10 + 64 * numbers, words[numbers]).tolist() == (10 + np.flatnonzero(bits)).tolist()


@given(st.lists(st.integers(1, 2**32 - 1), min_size=1))
def test_lowest_and_highest_bit_are_those_that_python_finds(words: list[int]) -> None:
    array = np.array(words, dtype=np.uint32)
    assert highest_bit(array).tolist() == [word.bit_length() - 1 for word in words]
    assert lowest_bit(array).tolist() == [(word & -word).bit_length() - 1 for word in words]
