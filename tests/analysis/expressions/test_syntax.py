"""The language of derived channels: what can be read, and where it says that something cannot."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.expressions.derive import derive, parse_expression
from wavewright.errors import Misuse, Place
from wavewright.waveform import Waveform

ONE = Waveform.from_volts([1.0], interval=1.0)
RATIO = Waveform.from_volts([3.0], interval=1.0, unit="1")


def value(text: str) -> float:
    """The value of a text whose channel `x` is 3, without unit."""
    return float(derive(text, {"x": RATIO}).values()[0])


ARITHMETIC = [
    # text, value, source
    ("x + 2 * 5", 13.0, "math: products before sums"),
    ("(x + 2) * 5", 25.0, "math: parentheses first"),
    ("-x ** 2", -9.0, "math: the power binds closer than the sign"),
    ("2 ** x ** 2", 512.0, "math: powers from the right, 2^(3^2)"),
    ("2 ** -x", 0.125, "math"),
    ("x - 1 - 1", 1.0, "math: differences from the left"),
    ("12 / x / 2", 2.0, "math: quotients from the left"),
    ("- - x", 3.0, "math"),
    ("+x", 3.0, "math"),
    ("x * 50 %", 1.5, "definition: 1 % is 0.01"),
    ("x * pi", 3 * math.pi, "math"),
    ("sqrt(x * x)", 3.0, "math"),
    ("log10(x / 3 * 1e-3)", -3.0, "math"),
    ("abs(-x)", 3.0, "math"),
    ("min(x, 2, 5)", 2.0, "math"),
    ("max(x, 2, 5)", 5.0, "math"),
    ("max(1, 2) * x", 6.0, "math: constants are folded"),
    ("x*1e3", 3000.0, "notation"),
    ("x * .5", 1.5, "notation"),
    ("x\n + 1", 4.0, "white space means nothing"),
]


@pytest.mark.parametrize("text, expected, source", ARITHMETIC, ids=[row[0] for row in ARITHMETIC])
def test_arithmetic_is_that_of_mathematics(text: str, expected: float, source: str) -> None:
    assert value(text) == pytest.approx(expected, rel=1e-15), source


def test_names_are_those_of_channels_in_order() -> None:
    expression = parse_expression("(b - low_pass(a, 2 kHz)) * pi + b + `rail 3.3`")
    assert expression.names == ("b", "a", "rail 3.3")


REFUSED = [
    # text, column, what, expected
    ("", 1, "the end is not expected", "a number, a channel, a function or `(`"),
    ("(a - b", 7, "the end is not expected", "an operator, `,` or `)`"),
    ("a b", 3, "`b` is not expected", "an operator, or the end"),
    ("a +", 4, "the end is not expected", "a number, a channel"),
    ("a)", 2, "`)` is not expected", "an operator, or the end"),
    ("a.real", 2, "`.` is not understood here", "channels"),
    ("a[0]", 2, "`[` is not understood here", "channels"),
    ("a ^ 2", 3, "`^` is not understood here", "channels"),
    ("a == b", 3, "`=` is not understood here", "channels"),
    ("'a'", 1, "`'` is not understood here", "channels"),
    ("a; b", 2, "`;` is not understood here", "channels"),
    ("a - 2 volts", 5, "`2 volts`: no unit `volts`", "V, A, s"),
    ("2 a", 1, "`2 a`: no unit `a`", "V, A, s"),
    ("a * 1e999", 5, "`1e999` is too large", "at most"),
    ("1 + 2", 1, "the expression has no channel", "at least one channel"),
    ("exec(a)", 1, "unknown function `exec`", "low_pass"),
    ("__import__(a)", 1, "unknown function `__import__`", "low_pass"),
    ("low_pas(a, 1 kHz)", 1, "unknown function `low_pas`", "low_pass"),
    ("(a)(b)", 4, "`(` is not expected", "an operator, or the end"),
    ("sqrt(a,)", 8, "`)` is not expected", "a number, a channel"),
    ("`a", 1, "``` is not understood here", "channels"),
]


@pytest.mark.parametrize("text, column, what, expected", REFUSED, ids=[row[0] or "empty" for row in REFUSED])
def test_what_cannot_be_read_is_refused_with_its_column(text: str, column: int, what: str, expected: str) -> None:
    with pytest.raises(Misuse) as fault:
        parse_expression(text)
    assert what in fault.value.what
    assert expected in fault.value.expected
    assert isinstance(fault.value.where, Place)
    assert fault.value.where.column == column


def test_the_nearest_function_is_named() -> None:
    with pytest.raises(Misuse, match="did you mean `low_pass`"):
        parse_expression("low_pas(a, 1 kHz)")


def test_the_message_shows_the_expression_and_the_column() -> None:
    with pytest.raises(Misuse, match=r"^`a \+ b c`:7: `c` is not expected here\n  expected: an operator, or the end"):
        parse_expression("a + b c")


@pytest.mark.parametrize(
    "text", ["(" * 5000 + "a", "-" * 900 + "a", "a" + "**a" * 330, "sqrt(" * 90 + "a", "a" + "+a" * 300]
)
def test_depth_and_length_are_limited(text: str) -> None:
    with pytest.raises(Misuse, match=r"nested too deeply|characters|more than 200"):
        parse_expression(text)


def test_a_long_sum_is_not_deep() -> None:
    assert derive("+".join(["a"] * 100), {"a": ONE}).values().tolist() == [100.0]


@given(st.text(alphabet="ab1.5e+-*/() ,%Vm`pi\n", max_size=30))
def test_any_text_is_read_or_refused_and_nothing_else(text: str) -> None:
    try:
        expression = parse_expression(text)
    except Misuse as fault:
        place = fault.where
    else:
        assert expression.names
        return
    assert isinstance(place, Place)
    assert 1 <= place.column <= len(text) + 1


@given(
    st.recursive(
        st.sampled_from(["x", "2.0", "0.5"]),
        lambda inner: st.builds(
            lambda left, sign, right: f"({left} {sign} {right})", inner, st.sampled_from("+-*/"), inner
        ),
        max_leaves=12,
    )
)
def test_arithmetic_agrees_with_python(text: str) -> None:
    # the reference is Python's own arithmetic on the same text, which has only numbers and + - * / ( ) in it
    text = f"x + {text}"
    try:
        expected = eval(text, {"__builtins__": {}}, {"x": 3.0})
    except ZeroDivisionError:
        expected = math.nan
    result = value(text)
    assert result == pytest.approx(expected, rel=1e-12) or (math.isnan(result) and not math.isfinite(expected))


def test_reading_an_expression_imports_nothing_heavy() -> None:
    program = (
        "import sys; from wavewright.analysis.expressions.derive import parse_expression; "
        "parse_expression('low_pass(a, 1 kHz)'); "
        "print(sorted({name.split('.')[0] for name in sys.modules} & {'scipy', 'h5py'}))"
    )
    result = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "[]"


UNITS = [
    # text, unit, source: the laws that define the units
    ("(v - v2) / 0.1 ohm", "A", "Ohm's law"),
    ("v / 10 mohm", "A", "Ohm's law"),
    ("v * i", "W", "power"),
    ("integral(v * i)", "J", "energy"),
    ("integral(i)", "C", "charge"),
    ("integral(v)", "V s", "flux linkage"),
    ("derivative(v)", "V/s", "slope"),
    ("v / i", "ohm", "Ohm's law"),
    ("i / v", "S", "conductance"),
    ("v ** 2 / 50 ohm", "W", "power in a resistor"),
    ("sqrt(v * v + v2 * v2)", "V", "root of squares"),
    ("v ** 2", "V^2", "square"),
    ("v ** 0.5", "V^(1/2)", "root"),
    ("1 / derivative(v) * v", "s", "time"),
    ("derivative(v) / v", "Hz", "rate"),
    ("v / v2", "1", "ratio"),
    ("20 * log10(v / 1 V)", "1", "level"),
    ("2 ** (v / 1 V)", "1", "power of a plain number"),
    ("integral(i) / v", "F", "capacitance"),
    ("integral(v) / i", "H", "inductance"),
    ("low_pass(v, 20 kHz, 4) - moving_average(v, 2 us)", "V", "filters keep the unit"),
    ("i * (v / i) - v2", "V", "Ohm's law"),
    ("t - 1 degC", "degC", None),
    ("t * v", "V degC", "a unit that is not ours stays"),
    ("delay_by(envelope(v, 1 us), 5 ns) + resample(v, 1 GHz)", "V", "they keep the unit"),
]


@pytest.mark.parametrize(
    "text, unit, source", [row for row in UNITS if row[2]], ids=[row[0] for row in UNITS if row[2]]
)
def test_units_follow_the_laws(text: str, unit: str, source: str) -> None:
    assert parse_expression(text).unit({"v": "V", "v2": "V", "i": "A", "t": "degC"}) == unit, source


NONSENSE = [
    ("v + i", 3, "`+` between V and A", "the same unit"),
    ("v - 1", 3, "`-` between V and 1", "the same unit"),
    ("log10(v)", 7, "`x` of `log10` is in V", "a plain number"),
    ("2 ** v", 3, "an exponent in V", "a plain number"),
    ("v ** (v / v)", 3, "to the power of a channel", "a constant exponent"),
    ("min(v, i)", 8, "`y` of `min` is in A", "V: `min(x, y, …)`"),
    ("low_pass(v, 2 ms)", 13, "`cutoff` of `low_pass` is in s", "Hz: `low_pass(x, cutoff, order = 2)`"),
    ("low_pass(v, derivative(v) / v)", 27, "`cutoff` of `low_pass` changes with a channel", "a constant"),
    ("low_pass(v)", 1, "`low_pass` with 1 argument", "`low_pass(x, cutoff, order = 2)`"),
    ("v + integral()", 5, "`integral` with 0 arguments", "`integral(x)`"),
    ("v - low_pass", 5, "`low_pass` is a function", "low_pass(x, cutoff"),
    ("v - vv", 5, "unknown channel `vv`", "v, i"),
]  # fmt: skip


@pytest.mark.parametrize("text, column, what, expected", NONSENSE, ids=[row[0] for row in NONSENSE])
def test_units_that_do_not_go_together_are_refused_with_their_column(text, column, what, expected) -> None:
    with pytest.raises(Misuse) as fault:
        parse_expression(text).unit({"v": "V", "i": "A"})
    assert what in fault.value.what
    assert expected in fault.value.expected
    assert fault.value.where.column == column


def test_a_channel_called_like_a_constant_is_refused() -> None:
    with pytest.raises(Misuse, match="`pi` has the name of a constant"):
        derive("a", {"pi": ONE, "a": ONE})


def test_the_unit_of_a_derived_channel_serves_in_the_next() -> None:
    flux = derive("integral(v)", {"v": Waveform.from_volts(np.ones(3), interval=1.0)})
    assert derive("flux / i", {"flux": flux, "i": Waveform.from_volts(np.ones(3), interval=1.0, unit="A")}).unit == "H"


TOLERANCES = [
    # text, half-widths of the numbers that are computed with (None: not stated), source
    ("a / (10 ohm ± 1 %)", [0.1], "definition: ± P % is of the number"),
    ("a / 10 ohm ± 1 %", [0.1], "the sign belongs to the number before it"),
    ("a / (10 ohm ± 50 mohm)", [0.05], "notation"),
    ("a / (10 ohm +/- 200 ppm)", [0.002], "notation: what a plain keyboard has"),
    ("a * (11 ± 0.1)", [0.1], "a plain number, plus or minus another"),
    ("a * (11 ± 1 %)", [0.11], "a share of a plain number"),
    ("a / (0.1 ohm ± 0 %)", [0.0], "exact"),
    ("(a - 2 V) / 3 * pi", [None, None], "not stated, and pi is no number of a recipe"),
    ("low_pass(a, 20 kHz) ** 2 + 1 V ** 2", [None], "cut-offs and exponents are settings"),
    ("max(a, 1 V ± 10 mV) - (1 V ± 5 mV)", [0.01, 0.005], "each number has its own"),
]


@pytest.mark.parametrize("text, expected, source", TOLERANCES, ids=[row[0] for row in TOLERANCES])
def test_a_number_has_a_tolerance(text: str, expected: list[float | None], source: str) -> None:
    found = [one.tolerance for one in parse_expression(text).operands]
    assert found == [None if one is None else pytest.approx(one, rel=1e-12) for one in expected], source


REFUSED_TOLERANCES = [
    # text, column, what, expected
    ("a / (10 ohm ± 1)", 6, "a tolerance in 1 of a number in ohm", "ohm or %"),
    ("a / (10 ohm ± 1 V)", 6, "a tolerance in V of a number in ohm", "ohm or %"),
    ("a * 40 % ± 1 %", 5, "can be read in two ways", "a plain number"),
    ("a ± 1 %", 3, "`±` is not understood here", "channels"),
    ("a / (10 ohm ±)", 14, "no tolerance after the sign", "10 ohm ± 1 %"),
    ("a / (10 ohm ± 1 wide)", 6, "no unit `wide`", "%"),
    ("low_pass(a, 20 kHz ± 1 %)", 13, "a tolerance of a setting", "cut-off"),
    ("a ** (2 ± 1 %)", 7, "a tolerance of a setting", "exponent"),
]


@pytest.mark.parametrize("text, column, what, expected", REFUSED_TOLERANCES, ids=[row[0] for row in REFUSED_TOLERANCES])
def test_a_tolerance_that_cannot_be_meant_is_refused(text: str, column: int, what: str, expected: str) -> None:
    with pytest.raises(Misuse) as refused:
        parse_expression(text)
    assert isinstance(refused.value.where, Place)
    assert refused.value.where.column == column
    assert what in refused.value.what
    assert expected in f"{refused.value.expected} {refused.value.do}"
