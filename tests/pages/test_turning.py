from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import Misuse
from wavewright.pages.turning import QUANTITY, Turning, turned
from wavewright.quantities import read_quantity

SERIES = Turning("series", "V")
STEPS = [
    # text, steps, how, what it becomes: the series 1-2-5 and whole steps, by hand
    ("8 V", 1, SERIES, "10 V"),
    ("8 V", -1, SERIES, "5 V"),
    ("100 mV", 2, SERIES, "500 mV"),
    ("0.5 V", 1, SERIES, "1 V"),
    ("10 V", -3, SERIES, "1 V"),
    ("500us", -1, Turning("series", "s"), "200us"),
    ("1 us", -10, Turning("series", "s"), "500 ps"),
    ("25 MHz", 1, Turning("series", "Hz"), "50 MHz"),
    ("80k", 1, Turning("series"), "100k"),
    ("1.65 V", 2, Turning("step", "V", Decimal("0.05")), "1.75 V"),
    ("0 mV", -1, Turning("step", "V", Decimal("0.05")), "-50 mV"),
    ("\N{MINUS SIGN}2.5 V", 1, Turning("step", "V", Decimal("0.5")), "\N{MINUS SIGN}2 V"),
    ("20 %", 1, Turning("step", "1", Decimal("0.01")), "21 %"),
    ("19200", 1, Turning("rate"), "38400"),
    ("921600", 1, Turning("rate"), "921600"),
    ("5", 1, Turning("step"), "6"),
    ("16", -40, Turning("count"), "1"),
    ("3.3 V", 1, Turning("step"), "3.35 V"),
]


@pytest.mark.parametrize("text, steps, how, after", STEPS)
def test_steps_of(text: str, steps: int, how: Turning, after: str) -> None:
    assert turned(text, steps, how) == after


@given(
    number=st.integers(1, 999_999), places=st.integers(0, 5), prefix=st.sampled_from(["p", "n", "u", "m", "", "k"]),
    blank=st.sampled_from(["", " "]), steps=st.integers(-6, 6).filter(bool),
)  # fmt: skip
def test_a_step_along_the_series_leads_to_a_number_of_it_in_that_direction(
    number: int, places: int, prefix: str, blank: str, steps: int
) -> None:
    text = f"{Decimal(number).scaleb(-places):f}{blank}{prefix}V"
    after = turned(text, steps, SERIES)
    before, now = (read_quantity(one, unit="V").value for one in (text, after))
    assert (now > before) == (steps > 0)
    assert f"{now:.12e}"[0] in "125"
    assert QUANTITY.fullmatch(after)
    assert (" " in after) == (blank == " ")


def test_what_is_not_a_number_is_not_turned() -> None:
    with pytest.raises(Misuse, match="`auto` cannot be turned"):
        turned("auto", 1, SERIES)


@pytest.mark.parametrize(
    "text, found",
    [
        ("1.6 ms .. 3.2 ms", ["1.6 ms", "3.2 ms"]),
        ("1..2", ["1", "2"]),
        ("falling 0.99 V", ["0.99 V"]),
        ("$duty ± 1 pp", ["1 pp"]),
        ("at most -40 mV", ["-40 mV"]),
        ("published", []),
        ("TP10", []),
    ],
)
def test_the_quantities_in(text: str, found: list[str]) -> None:
    assert [one.group() for one in QUANTITY.finditer(text)] == found
