"""Counts and patterns as files state them."""

from __future__ import annotations

import pytest

from wavewright.errors import Misuse
from wavewright.grammar.word_fields import read_count, read_pattern, read_pattern_or_none


@pytest.mark.parametrize("text, number", [("16", 16), ("80k", 80_000), ("10M", 10_000_000)])
def test_a_count_is_a_whole_number(text: str, number: int) -> None:
    assert read_count(text) == number


@pytest.mark.parametrize("text", ["0", "2.5", "-3", "3 V"])
def test_what_is_not_a_count_is_refused(text: str) -> None:
    with pytest.raises(Misuse):
        read_count(text)


def test_a_count_may_begin_at_zero_and_end_somewhere() -> None:
    assert read_count("0", least=0) == 0
    with pytest.raises(Misuse) as refused:
        read_count("65", least=0, most=64)
    assert refused.value.expected == "a whole number, at least 0, at most 64"


def test_blanks_at_the_ends_of_a_pattern_count() -> None:
    assert read_pattern("^A ") == "^A "


def test_an_empty_pattern_takes_an_inherited_one_away() -> None:
    assert read_pattern_or_none("") == ""
    with pytest.raises(Misuse):
        read_pattern("")
    with pytest.raises(Misuse):
        read_pattern_or_none("(")
