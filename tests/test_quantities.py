"""Quantities and intervals: what is read, what is refused and with which advice, what is shown."""

from __future__ import annotations

import math
import subprocess
import sys
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import Misuse
from wavewright.quantities import Interval, Quantity, read_interval, read_quantity, show_quantity
from wavewright.unit_symbols import EXAMPLES

MICRO, MU = "\u00b5", "\u03bc"  # Unicode: MICRO SIGN, GREEK SMALL LETTER MU
OMEGA, OHM = "\u03a9", "\u2126"  # Unicode: GREEK CAPITAL LETTER OMEGA, OHM SIGN

READ = [
    # text, unit, value; prefixes: SI Brochure, 9th edition, table 7
    ("500 us", "s", 500e-6),
    (f"500 {MICRO}s", "s", 500e-6),
    (f"500 {MU}s", "s", 500e-6),
    ("500us", "s", 500e-6),
    ("2.2 kohm", "ohm", 2200.0),
    (f"2.2 k{OMEGA}", "ohm", 2200.0),
    (f"2.2 k{OHM}", "ohm", 2200.0),
    (f"50 {OMEGA}", "ohm", 50.0),
    ("24 V", "V", 24.0),
    ("-24 V", "V", -24.0),
    ("\N{MINUS SIGN}24 V", "V", -24.0),
    ("+1.5e-3 V", "V", 0.0015),
    (".5 V", "V", 0.5),
    ("12 pF", "F", 12e-12),
    ("25 MHz", "Hz", 25e6),
    ("25 mHz", "Hz", 0.025),
    ("1.2 GHz", "Hz", 1.2e9),
    ("3 THz", "Hz", 3e12),
    ("7 fF", "F", 7e-15),
    ("3 ns", "s", 3e-9),
    ("1e3 ms", "s", 1.0),
    ("1.5E-3 kV", "V", 1.5),
    ("2e3k", "", 2e6),
    ("40 %", "1", 0.4),
    ("7 %", "1", 0.07),
    ("40%", "1", 0.4),
    ("0.4", "1", 0.4),
    ("50 ppm", "1", 50e-6),
    ("10x", "x", 10.0),
    ("1 x", "x", 1.0),
    ("80k", "", 80000.0),
    ("80 k", "count", 80000.0),
    ("20", "", 20.0),
    ("3 dB", "dB", 3.0),
    ("-90 deg", "deg", -90.0),
    ("19.2 kBd", "Bd", 19200.0),
    ("19200", "Bd", 19200.0),
    ("500 kbit/s", "bit/s", 500e3),
    ("19.2 kbit/s", "Bd", 19200.0),
    ("2 MBd", "bit/s", 2e6),
    ("5 uV/s", "V/s", 5e-6),
]


@pytest.mark.parametrize("text, unit, value", READ, ids=[row[0] for row in READ])
def test_a_quantity_is_read_to_the_last_bit(text: str, unit: str, value: float) -> None:
    assert read_quantity(text, unit=unit) == Quantity(value, unit)


REFUSED = [
    ("500", "s", "`500` has no unit\n  expected: a time, such as `500 us`\n"
     "  do: write `500 s` or `500 ms` or `500 us`, whichever is meant"),
    ("10", "x", "`10` has no unit\n  expected: a factor, such as `10x`\n  do: write `10x`"),
    ("5 Mv", "V", "`5 Mv`: there is no unit `Mv`, capitals count\n  expected: a voltage, such as `24 V`\n"
     "  do: write `5 mV` or `5 MV`"),
    ("10 KHz", "Hz", "`10 KHz`: there is no unit `KHz`, capitals count\n"
     "  expected: a frequency, such as `25 MHz`\n  do: write `10 kHz`"),
    ("5 US", "s", "`5 US`: there is no unit `US`, capitals count\n  expected: a time, such as `500 us`\n"
     "  do: write `5 us`"),
    ("5 ms", "V", "`5 ms` is a time\n  expected: a voltage, such as `24 V`"),
    ("5 V", "x", "`5 V` is a voltage\n  expected: a factor, such as `10x`"),
    ("5 us", "", "`5 us` is a time\n  expected: a number, such as `80k`"),
    ("5 frob", "V", "`5 frob`: there is no unit `frob`\n  expected: a voltage, such as `24 V`"),
    ("5 Vo", "V", "`5 Vo`: there is no unit `Vo`\n  expected: a voltage, such as `24 V`\n  do: did you mean `5 V`?"),
    ("nan V", "V", "`nan V` is not a finite number\n  expected: a voltage, such as `24 V`"),
    ("NaN", "V", "`NaN` is not a finite number\n  expected: a voltage, such as `24 V`"),
    (".inf", "V", "`.inf` is not a finite number\n  expected: a voltage, such as `24 V`"),
    ("-inf V", "V", "`-inf V` is not a finite number\n  expected: a voltage, such as `24 V`"),
    ("∞ V", "V", "`∞ V` is not a finite number\n  expected: a voltage, such as `24 V`"),
    ("1e306 kV", "V", "`1e306 kV` is not a finite number\n  expected: a voltage, such as `24 V`"),
    ("1e99999 V", "V", "`1e99999 V` is not a finite number\n  expected: a voltage, such as `24 V`"),
    ("1e400 V", "V", "`1e400 V` is not a finite number\n  expected: a voltage, such as `24 V`"),
    ("", "V", "the value is empty\n  expected: a voltage, such as `24 V`"),
    (" \t", "s", "the value is empty\n  expected: a time, such as `500 us`"),
    ("V", "V", "`V` is not a number\n  expected: a voltage, such as `24 V`"),
    ("--5 V", "V", "`--5 V` is not a number\n  expected: a voltage, such as `24 V`"),
    ("2,2 ms", "s", "`2,2 ms` has a comma in its number\n  expected: a time, such as `500 us`\n"
     "  do: write `2.2 ms` with a decimal point, or `22 ms` if the comma separates thousands"),
    ("1", "1", "`1` as a ratio is 100 %\n  expected: a ratio, such as `40 %`\n"
     "  do: write `1 %`, or `100 %` if that is meant"),
    ("40", "1", "`40` as a ratio is 4000 %\n  expected: a ratio, such as `40 %`\n"
     "  do: write `40 %`, or `4000 %` if that is meant"),
]  # fmt: skip


@pytest.mark.parametrize("text, unit, message", REFUSED, ids=[row[0] for row in REFUSED])
def test_what_is_no_quantity_is_refused_with_what_would_be(text: str, unit: str, message: str) -> None:
    with pytest.raises(Misuse) as caught:
        read_quantity(text, unit=unit)
    assert str(caught.value) == message


OUT_OF_RANGE = [
    ("10 mHz", {"unit": "Hz", "least": 1.0}, "`10 mHz` is out of range here\n  expected: at least 1 Hz\n"
     "  do: did you mean `10 MHz`?"),
    ("5 MV", {"unit": "V", "most": 1e3}, "`5 MV` is out of range here\n  expected: at most 1 kV\n"
     "  do: did you mean `5 mV`?"),
    ("-1 s", {"unit": "s", "least": 0.0, "most": 60.0}, "`-1 s` is out of range here\n"
     "  expected: at least 0 s and at most 60 s"),
    ("140 %", {"unit": "1", "least": 0.0, "most": 1.0}, "`140 %` is out of range here\n"
     "  expected: at least 0 % and at most 100 %"),
]  # fmt: skip


@pytest.mark.parametrize("text, limits, message", OUT_OF_RANGE, ids=[row[0] for row in OUT_OF_RANGE])
def test_a_prefix_in_the_wrong_case_is_seen_by_what_makes_sense(text: str, limits: dict, message: str) -> None:
    with pytest.raises(Misuse) as caught:
        read_quantity(text, **limits)
    assert str(caught.value) == message


@pytest.mark.parametrize("text", ["0 %", "100 %"])
def test_the_ends_of_what_makes_sense_make_sense(text: str) -> None:
    assert read_quantity(text, unit="1", least=0.0, most=1.0).value in (0.0, 1.0)


INTERVALS = [
    ("at most 40 mV", "V", -math.inf, 0.04),
    ("at least 3 V", "V", 3.0, math.inf),
    ("exactly 0", "count", 0.0, 0.0),
    ("exactly 12", "count", 12.0, 12.0),
    ("1.6 ms .. 3.2 ms", "s", 0.0016, 0.0032),
    ("1.6ms..3.2ms", "s", 0.0016, 0.0032),
    ("-1 V .. 1 V", "V", -1.0, 1.0),
    ("1. .. 2.", "", 1.0, 2.0),
    ("2.2 ms ± 20 %", "s", 0.00176, 0.00264),
    ("2.2 ms +- 20 %", "s", 0.00176, 0.00264),
    ("2.2 ms +/- 20 %", "s", 0.00176, 0.00264),
    ("3.3 V ± 100 mV", "V", 3.2, 3.4),
    ("-2 V ± 10 %", "V", -2.2, -1.8),
    ("12 MHz ± 50 ppm", "Hz", 11999400.0, 12000600.0),
    ("40 % ± 1 pp", "1", 0.39, 0.41),
    ("40 % ± 0.01", "1", 0.39, 0.41),
    ("at most  8 %", "1", -math.inf, 0.08),
    # a temperature in °C and a difference in K: SI Brochure, 2.3.1 †
    ("25 degC ± 5 K", "degC", 20.0, 30.0),
    ("25 °C ± 500 mK", "degC", 24.5, 25.5),
    ("-10 degC ± 5 degC", "degC", -15.0, -5.0),
    ("-40 °C .. 85 degC", "degC", -40.0, 85.0),
]


@pytest.mark.parametrize("text, unit, low, high", INTERVALS, ids=[row[0] for row in INTERVALS])
def test_an_interval_ends_where_the_decimal_arithmetic_says(text: str, unit: str, low: float, high: float) -> None:
    assert read_interval(text, unit=unit) == Interval(low, high, unit)


FORMS = "expected: `at most X`, `at least X`, `A .. B`, `X ± Y`, `X ± P %` or `exactly X`, each a voltage"
NO_INTERVALS = [
    ("40 % ± 1 %", "1", "`40 % ± 1 %` can be read two ways\n  expected: percentage points, or the two ends\n"
     "  do: write `40 % ± 1 pp` for percentage points, `39.6 % .. 40.4 %` for 1 % of 40 %"),
    ("40 % ± 1", "1", "`40 % ± 1`: `1` has no unit\n  expected: percentage points\n  do: write `40 % ± 1 pp`"),
    ("40 mV", "V", f"`40 mV` alone is neither an upper nor a lower limit\n  {FORMS}\n"
     "  do: write `at most 40 mV`, `at least 40 mV` or with a tolerance `40 mV ± …`"),
    ("<= 40 mV", "V", f"`<= 40 mV` is not how a limit is written\n  {FORMS}\n  do: write `at most 40 mV`"),
    ("min 40 mV", "V", f"`min 40 mV` is not how a limit is written\n  {FORMS}\n  do: write `at least 40 mV`"),
    ("At most 40 mV", "V", f"`At most 40 mV` is not how a limit is written\n  {FORMS}\n  do: write `at most 40 mV`"),
    ("3.2 ms .. 1.6 ms", "s", "`3.2 ms .. 1.6 ms` has its lower end above the upper one\n"
     "  expected: the lower end first\n  do: write `1.6 ms .. 3.2 ms`"),
    ("1.6 .. 3.2 ms", "s", "`1.6 .. 3.2 ms`: `1.6` has no unit\n  expected: a unit at both ends\n"
     "  do: write `1.6 ms .. 3.2 ms`"),
    ("at most", "V", "the value is empty\n  expected: a voltage, such as `24 V`"),
    ("± 5 %", "V", "the value is empty\n  expected: a voltage, such as `24 V`"),
    ("0 V ± 5 %", "V", "`0 V ± 5 %` has no width\n  expected: a tolerance above 0; in the unit, not in %, "
     "if the value is 0"),
    ("3 V ± -1 V", "V", "`3 V ± -1 V` has no width\n  expected: a tolerance above 0; in the unit, not in %, "
     "if the value is 0"),
    ("at most 8", "1", "`8` as a ratio is 800 %\n  expected: a ratio, such as `40 %`\n"
     "  do: write `8 %`, or `800 %` if that is meant"),
    ("25 degC ± 10 %", "degC", "`25 degC ± 10 %`: 10 % of a temperature in degC depends on where its scale begins\n"
     "  expected: a difference of temperatures, such as `25 degC ± 5 K`"),
    ("25 degC ± 500 ppm", "degC", "`25 degC ± 500 ppm`: 500 ppm of a temperature in degC depends on where its scale "
     "begins\n  expected: a difference of temperatures, such as `25 degC ± 5 K`"),
    ("at most 300 K", "degC", "`300 K` is a difference of temperatures\n  expected: a temperature, such as `25 degC`"),
    ("frob", "V", "`frob` is not a number\n  expected: a voltage, such as `24 V`"),
]  # fmt: skip


@pytest.mark.parametrize("text, unit, message", NO_INTERVALS, ids=[row[0] for row in NO_INTERVALS])
def test_what_is_no_limit_is_refused_with_how_to_write_it(text: str, unit: str, message: str) -> None:
    with pytest.raises(Misuse) as caught:
        read_interval(text, unit=unit)
    assert str(caught.value) == message


SHOWN = [
    # value, unit, uncertainty, resolution, shown
    (2.19722e-3, "s", 1.3e-6, None, "2.197 ms"),
    (2.19722e-3, "s", None, 1e-5, "2.20 ms"),
    (2.19722e-3, "s", 1e-6, 1e-5, "2.20 ms"),  # the larger of the two counts
    (2.19722e-3, "s", 9.99999999999e-7, None, "2.197 ms"),  # a hair below 1 us
    (2.19722e-3, "s", None, None, "2.197 ms"),
    (1e-3, "s", None, None, "1 ms"),
    (1e-3, "s", 1e-6, None, "1.000 ms"),
    (0.4, "1", 0.002, None, "40.0 %"),
    (0.4, "1", None, None, "40 %"),
    (0.99996, "V", 1e-3, None, "1.000 V"),  # rounds up into the next prefix
    (3e-4, "V", 2e-3, None, "0 V"),  # nothing is known of it
    (-3.2e-5, "V", None, 1e-7, "-32.0 uV"),
    (0.0, "V", None, None, "0 V"),
    (12.0, "count", None, None, "12"),
    (12.5, "count", 0.1, None, "12.5"),
    (12.3456, "count", 30.0, None, "10"),
    (1.41421, "number", 2e-4, None, "1.4142"),
    (1.41421, "number", None, None, "1.414"),
    (2.0, "number", 0.01, None, "2.00"),
    (5e-5, "1", None, None, "50 ppm"),
    (-5.27e-5, "1", 1e-6, None, "-53 ppm"),
    (0.0, "1", 1e-6, None, "0 ppm"),
    (0.0, "1", None, None, "0 %"),
    (1e-4, "1", None, None, "0.01 %"),
    (80000.0, "", None, None, "80000"),
    (10.0, "x", None, None, "10x"),
    (3.0123, "dB", 0.05, None, "3.01 dB"),
    (340e3, "Hz", 5e3, None, "340 kHz"),
    (math.inf, "V", None, None, "∞ V"),
    (-math.inf, "V", None, None, "-∞ V"),
    (math.nan, "V", None, None, "not a number"),
]


@pytest.mark.parametrize("value, unit, uncertainty, resolution, shown", SHOWN)
def test_no_more_digits_are_shown_than_are_known(
    value: float, unit: str, uncertainty: float | None, resolution: float | None, shown: str
) -> None:
    assert show_quantity(value, unit, uncertainty=uncertainty, resolution=resolution) == shown


UNITS = st.sampled_from([unit for unit in EXAMPLES if unit not in {"", "count"}])
NUMBERS = st.decimals(min_value="-9999", max_value="9999", places=4, allow_nan=False)
EXPONENTS = st.integers(-12, 9)


@given(
    number=NUMBERS,
    exponent=st.integers(-9, 9),
    prefix=st.sampled_from(["", "m", "u", "k", "M", "n", "p", "f", "G", "T"]),
)
def test_number_exponent_and_prefix_multiply(number: Decimal, exponent: int, prefix: str) -> None:
    # SI Brochure, 9th edition, table 7: each prefix is a power of ten; exact decimal arithmetic by Python's decimal
    power = {"": 0, "m": -3, "u": -6, "n": -9, "p": -12, "f": -15, "k": 3, "M": 6, "G": 9, "T": 12}[prefix]
    value = read_quantity(f"{number}e{exponent} {prefix}V", unit="V").value
    assert value == float(number.scaleb(exponent + power))


@given(number=NUMBERS, exponent=EXPONENTS, unit=UNITS)
def test_what_is_shown_exactly_is_read_back(number: Decimal, exponent: int, unit: str) -> None:
    value = float(number.scaleb(exponent))
    shown = str(Quantity(value, unit))
    # fifteen significant digits tell every decimal number of fifteen digits from its neighbours (IEEE 754 binary64)
    assert read_quantity(shown, unit=unit).value == pytest.approx(value, rel=1e-14, abs=0)


@given(number=NUMBERS.filter(bool), exponent=EXPONENTS, ratio=st.floats(1e-6, 0.5), unit=UNITS)
def test_what_is_shown_lies_within_the_uncertainty(number: Decimal, exponent: int, ratio: float, unit: str) -> None:
    value = float(number.scaleb(exponent))
    uncertainty = abs(value) * ratio
    shown = show_quantity(value, unit, uncertainty=uncertainty)
    # half of the last place shown, which is at most the uncertainty
    assert abs(read_quantity(shown, unit=unit).value - value) <= 0.5000001 * uncertainty


@given(middle=NUMBERS, tolerance=st.decimals(min_value="0.0001", max_value="50", places=4))
def test_an_interval_contains_its_ends_and_its_middle(middle: Decimal, tolerance: Decimal) -> None:
    interval = read_interval(f"{middle} mV ± {tolerance} mV", unit="V")
    for inside in (middle, middle - tolerance, middle + tolerance):
        assert float(inside.scaleb(-3)) in interval
    outside = (tolerance * Decimal("1.001") + Decimal("0.001")).scaleb(-3)
    assert float(middle.scaleb(-3) + outside) not in interval
    assert float(middle.scaleb(-3) - outside) not in interval


@given(low=NUMBERS, width=st.decimals(min_value="0", max_value="50", places=4))
def test_an_interval_is_shown_as_it_is_read(low: Decimal, width: Decimal) -> None:
    interval = read_interval(f"{low} ms .. {low + width} ms", unit="s")
    assert read_interval(str(interval), unit="s") == interval


@given(text=st.text(max_size=20), unit=UNITS)
def test_any_text_is_a_finite_quantity_or_is_refused(text: str, unit: str) -> None:
    refused = None
    try:
        value = read_quantity(text, unit=unit).value
    except Misuse as fault:
        refused = fault
    assert refused.expected if refused else math.isfinite(value)


def test_importing_quantities_brings_in_no_other_package() -> None:
    code = "import sys, wavewright.quantities; print('quantiphy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "False\n"


COMPOUND_UNITS = [
    # value, unit, shown; SI: a prefix and its symbol form one symbol, so that mV^2 is 1e-6 V^2
    (0.2, "V s", "200 mV s"),
    (0.5, "V^2", "0.5 V^2"),
    (0.1, "V^2 s", "0.1 V^2 s"),
    (2.5e-7, "V^2", "2.500e-07 V^2"),
    (0.1, "1/V", "0.1 1/V"),
    (0.1, "A s", "100 mA s"),
    (3e-6, "V/s", "3 uV/s"),
    (2e-8, "V/√Hz", "20 nV/√Hz"),
    (25.0, "degC", "25 degC"),
    (0.01, "degC/s", "0.01 degC/s"),
]


@pytest.mark.parametrize("value, unit, shown", COMPOUND_UNITS)
def test_a_unit_is_shown_whole_and_with_a_prefix_only_where_one_means_what_it_says(
    value: float, unit: str, shown: str
) -> None:
    assert show_quantity(value, unit) == shown
    assert read_quantity(shown, unit=unit).value == pytest.approx(value)


@given(value=st.floats(1e-12, 1e12), unit=st.sampled_from([row[1] for row in COMPOUND_UNITS]))
def test_what_is_shown_of_any_unit_reads_back(value: float, unit: str) -> None:
    assert read_quantity(show_quantity(value, unit), unit=unit).value == pytest.approx(value, rel=1e-3)
    assert read_quantity(str(Quantity(value, unit)), unit=unit).value == pytest.approx(value, rel=1e-12)


def test_a_prefix_before_a_power_is_refused() -> None:
    with pytest.raises(Misuse, match="there is no unit `mV\\^2`"):
        read_quantity("500 mV^2", unit="V^2")


@pytest.mark.parametrize(
    "text",
    [
        "1e308 V ± 1e308 %",
        "1e308 V ± 1e308 V",
        "-1e308 V .. 1e308 V",
        "at most 1e300 V",
        "at least -1e200 kV",
        "0 V ± 1e151 V",
    ],
)
def test_a_limit_that_overflows_is_none(text: str) -> None:
    # each was taken for a limit that everything, or nearly everything, fulfils
    with pytest.raises(Misuse, match="reaches beyond all numbers"):
        read_interval(text, unit="V")


@given(st.floats(-1e308, 1e308), st.floats(0, 1e308), st.sampled_from(["V", "%"]))
def test_an_interval_has_two_ends_that_can_be_reckoned_with(middle: float, half: float, unit: str) -> None:
    try:
        interval = read_interval(f"{middle!r} V ± {half!r} {unit}", unit="V")
    except Misuse:
        return
    assert math.isfinite(interval.low)
    assert math.isfinite((interval.high - interval.low) ** 2)
    assert interval.low <= interval.high


@pytest.mark.parametrize(
    "text, do",
    [
        ("40 mV ± 5", "write `40 mV ± 5 %` or `40 mV ± 5 mV`"),
        ("10 mV to 40 mV", "write `10 mV .. 40 mV`"),
        ("between 10 mV and 40 mV", "write `10 mV .. 40 mV`"),
        ("10 mV - 40 mV", "write `10 mV .. 40 mV`"),
        ("10..40 mV", "write `10 mV .. 40 mV`"),
        ("10 .. 40 mV", "write `10 mV .. 40 mV`"),
    ],
)
def test_a_limit_that_is_written_otherwise_is_told_how(text: str, do: str) -> None:
    with pytest.raises(Misuse) as refused:
        read_interval(text, unit="V")
    assert do in str(refused.value)


@pytest.mark.parametrize("value", [4.441e-16, -4.441e-16, 9e-13])
def test_what_rounding_leaves_of_a_voltage_is_0(value: float) -> None:
    # 4.441e-16 is 2 ** -51, what is left of sums near 2; thermal noise of 50 ohm in 1 Hz is 0.9 nV (Nyquist)
    assert show_quantity(value, "V") == "0 V"
    assert show_quantity(2e-12, "V") == "2 pV"
    assert show_quantity(value, "A") != "0 A"
