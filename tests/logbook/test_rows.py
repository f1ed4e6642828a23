"""A document as text: every value comes back as it was, and what JSON cannot say is refused."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from wavewright.judgement.verdict import Verdict
from wavewright.logbook.rows import document_text

SMALLEST, LARGEST = 5e-324, 1.7976931348623157e308  # IEEE 754-2019, binary64: the least subnormal, the largest finite


@pytest.mark.parametrize(
    "value",
    [
        0.1,
        1e-05,
        1e16,
        1e22,
        SMALLEST,
        LARGEST,
        -0.0,
        math.inf,
        -math.inf,
        2**63,
        10**30,
        True,
        None,
        "",
        "ä €😀 \x7f\\",
    ],
)
def test_a_value_comes_back_as_it_was(value: object) -> None:
    found = json.loads(document_text({"value": value}))["value"]  # the standard library's reader is another program
    assert (found, type(found), str(found)) == (value, type(value), str(value))


def test_what_is_not_a_number_stays_so() -> None:
    assert math.isnan(json.loads(document_text({"value": math.nan}))["value"])


def test_a_word_of_a_list_is_a_text() -> None:
    assert json.loads(document_text({"verdict": Verdict.FAIL})) == {"verdict": "fail"}


@pytest.mark.parametrize("value", ["\ud800", object()], ids=["half a surrogate pair", "an object"])
def test_what_json_cannot_say_is_refused(value: Any) -> None:
    with pytest.raises(ValueError, match=r"surrogates not allowed|unknown type"):
        document_text({"value": value})
