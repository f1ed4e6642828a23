"""Regular expressions from files: the syntax that is taken, and that none of them can take for ever."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.buses.search.patterns import LONGEST, Pattern, read_pattern
from wavewright.errors import Misuse

# each takes an engine that backtracks exponentially or with a high power of the length
EXPLODING = [r"(a+)+b", r"(a|a)*b", r"(a|aa)+$", r"^([A-Za-z, ]+)+$", r"(.*a){12}b", r"(\w+\s?)*;"]


@pytest.mark.parametrize("text", EXPLODING)
def test_a_pattern_that_explodes_elsewhere_is_answered(text: str) -> None:
    assert read_pattern(text).search("a" * 100_000 + "!") is None or text.endswith("$")
    assert read_pattern(text).fullmatch("a" * 39 + "!") is None


@pytest.mark.parametrize(
    "text, why",
    [
        ("(", "missing"),
        ("[z-a]", "range"),
        (r"(a)\1", "escape"),
        (r"(?=a)b", "invalid"),
        ("((a{100}){100}){100}", "repetition"),
        ("a" * (LONGEST + 1), "characters"),
    ],
)
def test_what_cannot_be_matched_in_linear_time_is_refused(text: str, why: str) -> None:
    with pytest.raises(Misuse, match=why):
        read_pattern(text)


PLAIN = st.from_regex(r"[a-c.]{0,4}([a-c]\*|[a-c]\+|\[a-b\]|\(a\|b\))?[a-c]{0,3}", fullmatch=True)


@given(text=PLAIN, subject=st.text("abc", max_size=12))
def test_plain_patterns_mean_what_they_mean_in_the_standard_library(text: str, subject: str) -> None:
    ours, theirs = read_pattern(text), re.compile(text)
    for name in ("search", "match", "fullmatch"):
        found, expected = getattr(ours, name)(subject), getattr(theirs, name)(subject)
        assert (found is None) == (expected is None)
        assert found is None or found.whole == expected[0]


def test_named_groups_are_given_and_absent_ones_are_none() -> None:
    found = Pattern(r"(?P<code>-?\d+),(?P<text>.*)|(?P<other>x)").match('-113,"Undefined header"')
    assert found is not None
    assert found.groups == {"code": "-113", "text": '"Undefined header"', "other": None}


def test_bytes_are_matched_one_by_one() -> None:
    assert Pattern("\xff.").spans(b"\x00\xff\x80\xff\xfe") == [(1, 3), (3, 5)]


def test_half_a_surrogate_pair_is_no_fault() -> None:
    assert read_pattern(".*").fullmatch("Pr\udcfcf-1") is not None
