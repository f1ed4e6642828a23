from __future__ import annotations

import math
from typing import Annotated, Literal

import pytest

from wavewright.analysis.levels.state_levels import LevelMethod
from wavewright.analysis.measure import measure
from wavewright.analysis.parameters import Condition, ReferenceLevel, Slope, read_parameter
from wavewright.errors import Misuse
from wavewright.waveform import Waveform


@pytest.mark.parametrize(
    "text, number, is_ratio",
    [
        ("50 %", 0.5, True),
        ("10%", 0.1, True),
        ("1.65 V", 1.65, False),
        ("20 mV", 0.02, False),
        ("-3 V", -3.0, False),
        ("150 mA", 0.15, False),
        (2, 2.0, False),
        (0.5, 0.5, False),
    ],
)
def test_a_reference_level_is_a_ratio_or_a_value(text: object, number: float, is_ratio: bool) -> None:
    found = ReferenceLevel.read(text)
    assert found.number == pytest.approx(number)
    assert found.is_ratio == is_ratio


@pytest.mark.parametrize("text", ["", "high", "50", None, True, math.nan, math.inf, "5 s", [1]])
def test_what_is_no_level_is_refused(text: object) -> None:
    with pytest.raises(Misuse):
        ReferenceLevel.read(text)


def test_a_ratio_counts_from_the_low_state() -> None:
    assert ReferenceLevel.read("10 %").value(-1.0, 3.0) == pytest.approx(-0.6)
    assert ReferenceLevel.read("2 V").value(-1.0, 3.0) == 2.0


@pytest.mark.parametrize("slope", ["rising", "falling", "either"])
def test_a_condition_is_a_slope_and_a_level(slope: str) -> None:
    found = Condition.read(f"{slope} 0.99 V")
    assert found == Condition(Slope(slope), ReferenceLevel(0.99, is_ratio=False))
    assert str(found) == f"{slope} 0.99"


@pytest.mark.parametrize("text", ["rising", "up 1 V", "", "0.99 V", 3, "rising  ", "falling high"])
def test_what_is_no_condition_is_refused(text: object) -> None:
    with pytest.raises(Misuse):
        Condition.read(text)


@pytest.mark.parametrize(
    "value, annotation, expected",
    [
        ("20 ns", Annotated[float, "s"], 20e-9),
        (1e-3, Annotated[float, "s"], 1e-3),
        ("5 %", Annotated[float, "1"], 0.05),
        ("shorth", LevelMethod, LevelMethod.SHORTH),
        ("80k", int, 80_000),
        (None, Annotated[float, "s"] | None, None),
        ("3 us", Annotated[float, "s"] | None, 3e-6),
        ("auto", Annotated[float, "s"] | Literal["auto"], "auto"),
        ("left", Literal["left", "right"], "left"),
        (True, bool, True),
    ],
)
def test_an_option_arrives_as_its_annotation_says(value: object, annotation: object, expected: object) -> None:
    assert (
        read_parameter(value, annotation, name="x") == pytest.approx(expected)
        if isinstance(expected, float)
        else read_parameter(value, annotation, name="x") == expected
    )


@pytest.mark.parametrize(
    "value, annotation, message",
    [
        ("modal", LevelMethod, "auto, mode, mean, median, shorth, extremes"),
        (math.nan, Annotated[float, "s"], "a number in s"),
        (True, Annotated[float, "s"], "a number in s"),
        (1.5, int, "a whole number"),
        ("yes", bool, "true or false"),
        (3, str, "a word"),
        ("up", Literal["left", "right"], "left, right"),
    ],
)
def test_an_option_that_does_not_fit_is_refused_with_what_would(
    value: object, annotation: object, message: str
) -> None:
    with pytest.raises(Misuse) as caught:
        read_parameter(value, annotation, name="x")
    assert message in str(caught.value)


@pytest.mark.parametrize(
    "text, number, unit",
    [
        ("0.2 V s", 0.2, "V s"),
        ("200 mV s", 0.2, "V s"),
        ("3 V^2", 3.0, "V^2"),
        ("500 mA", 0.5, "A"),
        ("2 kΩ", 2e3, "ohm"),
        ("1.5 V/s", 1.5, "V/s"),
    ],
)
def test_a_level_may_be_in_the_unit_of_a_derived_channel(text: str, number: float, unit: str) -> None:
    found = ReferenceLevel.read(text)
    assert (found.number, found.unit) == (pytest.approx(number), unit)


def test_a_waveform_without_a_unit_takes_a_level_in_any() -> None:
    wave = Waveform.from_volts([0.0, 1.0] * 20, interval=1e-3, unit="1")
    assert measure(wave, "rising_edges", level="0.5 V").value == 20
