from __future__ import annotations

import pytest

from wavewright.reporting.big_word import big_word


@pytest.mark.parametrize("encoding, sign", [("utf-8", "█"), ("cp437", "█"), ("cp1252", "#"), ("ascii", "#")])
def test_the_word_is_drawn_with_a_sign_that_the_encoding_has(encoding: str, sign: str) -> None:
    lines = big_word("pass", encoding=encoding)
    assert set("".join(lines)) == {sign, " "}
    "\n".join(lines).encode(encoding)
    assert len(lines) == 5
