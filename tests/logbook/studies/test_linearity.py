"""Bias and linearity against the example of the measurement systems analysis literature."""

from __future__ import annotations

import pytest

from wavewright.errors import Misuse
from wavewright.logbook.studies.linearity import bias, linearity

# Automotive Industry Action Group, Measurement Systems Analysis, chapter III, linearity example: five parts with
# twelve readings each. Data and results from memory, not verified.
TRUTHS = (2.0, 4.0, 6.0, 8.0, 10.0)
ROWS = [
    [float(word) for word in text.split()]
    for text in (
        "2.7 2.5 2.4 2.5 2.7 2.3 2.5 2.5 2.4 2.4 2.6 2.4",
        "5.1 3.9 4.2 5.0 3.8 3.9 3.9 3.9 3.9 4.0 4.1 3.8",
        "5.8 5.7 5.9 5.9 6.0 6.1 6.0 6.1 6.4 6.3 6.0 6.1",
        "7.6 7.7 7.8 7.7 7.8 7.8 7.8 7.7 7.8 7.5 7.6 7.7",
        "9.1 9.3 9.5 9.3 9.4 9.5 9.5 9.5 9.6 9.2 9.3 9.4",
    )
]


def test_biases_of_the_published_example() -> None:
    found = [row.bias for row in linearity(ROWS, TRUTHS).biases]
    assert found == pytest.approx([0.491667, 0.125, 0.025, -0.291667, -0.616667], abs=1e-6)


def test_line_of_the_published_example() -> None:
    line = linearity(ROWS, TRUTHS)
    assert line.slope == pytest.approx(-0.131667, abs=1e-6)
    assert line.intercept == pytest.approx(0.736667, abs=1e-6)
    assert line.explained == pytest.approx(0.714, abs=1e-3)
    assert line.slope_p < 1e-9


def test_bias_that_is_put_in_is_found() -> None:
    found = bias([5.1, 5.3, 5.2, 5.2], 5.0)
    assert found.bias == pytest.approx(0.2)
    assert found.p < 0.02


def test_equal_values_without_bias_are_without_doubt() -> None:
    assert bias([5.0, 5.0], 5.0).p == 1.0


def test_one_known_value_makes_no_line() -> None:
    with pytest.raises(Misuse, match="at least 2 known values"):
        linearity([[1.0, 1.1]], [1.0])
