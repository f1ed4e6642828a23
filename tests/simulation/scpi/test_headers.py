"""Headers, SCPI-99 volume 1, 6.2 (from memory, not verified)."""

from __future__ import annotations

import pytest

from wavewright.errors import Misuse
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.headers import HeaderTree, full_header, short_form

PATTERNS = {
    "SENSe<n>:VOLTage[:DC]:RANGe:PTPeak": "range",
    "[SENSe]:SWEep:TINTerval": "interval",
    "TRACe|DATA[:DATA]": "trace",
    "INPut<n>:COUPling": "coupling",
}


@pytest.fixture
def tree() -> HeaderTree[str]:
    tree: HeaderTree[str] = HeaderTree()
    for pattern, entry in PATTERNS.items():
        tree.enter(pattern, entry)
    return tree


LEGAL = [
    ("SENS:VOLT:RANG:PTP", "range", (1,)),
    ("SENSE2:VOLTAGE:DC:RANGE:PTPEAK", "range", (2,)),
    ("SENS3:VOLT:DC:RANG:PTP", "range", (3,)),
    ("SWE:TINT", "interval", ()),
    ("SENS:SWEEP:TINTERVAL", "interval", ()),
    ("TRAC", "trace", ()),
    ("DATA:DATA", "trace", ()),
    ("INP4:COUP", "coupling", (4,)),
]


@pytest.mark.parametrize("header, entry, numbers", LEGAL, ids=[row[0] for row in LEGAL])
def test_finds_each_legal_spelling(tree: HeaderTree[str], header: str, entry: str, numbers: tuple[int, ...]) -> None:
    assert tree.find(header.split(":")) == (entry, numbers)


ILLEGAL = [
    ("VOLTA:RANG", -113, "no form between short and long"),
    ("SENS:VOLTA:RANG:PTP", -113, "no form between short and long"),
    ("SENS:VOLT:RANG", -113, "a node that has no command of its own"),
    ("SENS:VOLT:DC:DC:RANG:PTP", -113, "an optional node twice"),
    ("SWE2:TINT", -114, "a number on a node that takes none"),
    ("NOWHERE", -113, "no such node"),
]


@pytest.mark.parametrize("header, code, source", ILLEGAL, ids=[row[0] for row in ILLEGAL])
def test_refuses(tree: HeaderTree[str], header: str, code: int, source: str) -> None:
    with pytest.raises(ScpiError) as caught:
        tree.find(header.split(":"))
    assert caught.value.code == code, source


def test_two_patterns_that_can_be_spelt_alike_are_a_mistake_in_the_table(tree: HeaderTree[str]) -> None:
    with pytest.raises(Misuse, match="entered already"):
        tree.enter("SENSe<n>:VOLTage:RANGe:PTPeak", "another")


def test_the_short_form_is_what_stands_in_capitals() -> None:
    assert [short_form(word) for word in ("VOLTage", "PTPeak", "DC", "TINTerval")] == ["VOLT", "PTP", "DC", "TINT"]


def test_a_full_header_is_found_again_under_its_numbers(tree: HeaderTree[str]) -> None:
    for pattern, entry in PATTERNS.items():
        numbers = (3,) if "<n>" in pattern else ()
        assert tree.find(full_header(pattern, numbers).split(":")) == (entry, numbers)
