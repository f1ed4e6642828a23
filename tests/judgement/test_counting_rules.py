"""Counting rules: so many in a row, or of the last ones."""

from __future__ import annotations

import pytest

from wavewright.errors import Misuse
from wavewright.judgement.counting_rules import read_counting


def test_in_a_row_calls_at_the_last_of_them_and_counts_anew() -> None:
    counted = [True, True, False, True, True, True, True, True, True]
    assert [call.index for call in read_counting("3 in a row").calls(counted)] == [5, 8]


def test_of_the_last_ones_calls_only_at_a_unit_that_counts() -> None:
    counted = [True, False, True, False, False, True]
    assert [(call.index, call.count) for call in read_counting("2 of the last 3").calls(counted)] == [(2, 3)]
    # before there are so many units, those that are there count
    assert [call.index for call in read_counting("2 of the last 20").calls([True, True])] == [1]


@pytest.mark.parametrize("words", ["3", "0 in a row", "4 of the last 3", "three in a row", "5 of the last 2000"])
def test_words_that_count_nothing_are_refused(words: str) -> None:
    with pytest.raises(Misuse, match=r"in a row|how many|reached"):
        read_counting(words)
