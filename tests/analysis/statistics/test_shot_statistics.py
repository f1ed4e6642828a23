"""Statistics over shots, against certified values and an independent library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tests.analysis.nist_strd import SETS
from wavewright.analysis.reading import Reading
from wavewright.analysis.statistics.shot_statistics import (
    lag_one_autocorrelation,
    mean_and_deviation,
    shot_statistics,
    trend,
)
from wavewright.errors import Misuse, NotMeasurable

# Certified to 15 digits; the decimals of NumAcc3 and 4 are not exact in binary, which costs digits of their scatter
TOLERANCES = {"NumAcc3": 1e-9, "NumAcc4": 1e-8}
VALUES = st.lists(st.floats(-1e6, 1e6), min_size=3, max_size=40)


@pytest.mark.parametrize("name", SETS)
def test_nist_strd_univariate(name: str) -> None:
    # source: NIST StRD, univariate summary statistics, the set named by the test's parameter
    data, mean, deviation, autocorrelation = SETS[name]
    found_mean, found_deviation = mean_and_deviation(data)
    assert found_mean == pytest.approx(mean, rel=1e-15)
    assert found_deviation == pytest.approx(deviation, rel=TOLERANCES.get(name, 1e-12))
    assert lag_one_autocorrelation(data) == pytest.approx(autocorrelation, rel=TOLERANCES.get(name, 1e-12))


def test_the_one_pass_formula_would_fail_the_same_sets() -> None:
    # the certified sets exist to tell this formula from a sound one
    data, _, deviation, _ = SETS["NumAcc4"]
    one_pass = (np.sum(data**2) - data.size * data.mean() ** 2) / (data.size - 1)
    assert math.sqrt(max(one_pass, 0)) != pytest.approx(deviation, rel=0.01)


def readings(*values: float | None, unit: str = "s") -> list[Reading]:
    return [Reading(value, unit, reason="" if value is not None else "0 edges") for value in values]


def test_a_series_of_readings() -> None:
    # math: 1, 2, 3, 6: mean 3, squares off 4 + 1 + 0 + 9 = 14
    found = shot_statistics(readings(1.0, None, 2.0, 3.0, 6.0))
    assert (found.count, found.missing, found.mean, found.unit) == (4, 1, 3.0, "s")
    assert found.standard_deviation == pytest.approx(math.sqrt(14 / 3))
    assert found.uncertainty == pytest.approx(math.sqrt(14 / 3) / 2)
    assert (found.minimum, found.lowest_shot, found.maximum, found.highest_shot) == (1.0, 0, 6.0, 4)
    assert found.percentile(50) == 2.5


def test_one_shot_has_no_scatter() -> None:
    found = shot_statistics(readings(5.0))
    assert (found.standard_deviation, found.uncertainty, found.autocorrelation, found.trend) == (None,) * 4


def test_no_values_give_the_reason() -> None:
    with pytest.raises(NotMeasurable, match="none of 2 shots has a value: 0 edges"):
        shot_statistics(readings(None, None))
    with pytest.raises(NotMeasurable, match="there are no shots"):
        shot_statistics([])


def test_readings_in_two_units_are_refused() -> None:
    with pytest.raises(Misuse, match="readings in V and s"):
        shot_statistics([*readings(1.0), *readings(1.0, unit="V")])


@given(VALUES)
def test_the_trend_is_that_of_scipy(values: list[float]) -> None:
    found = trend(values)
    if len(set(values)) == 1:  # SciPy gives NaN there
        assert (found.slope, found.uncertainty) == (0, 0)
        return
    line = stats.linregress(np.arange(len(values)), values)  # SciPy 1.17.1
    scale = max(map(abs, values))
    assert found.slope == pytest.approx(line.slope, rel=1e-9, abs=1e-12 * scale)
    assert found.intercept == pytest.approx(line.intercept, rel=1e-9, abs=1e-12 * scale)
    assert found.uncertainty == pytest.approx(line.stderr, rel=1e-6, abs=1e-8 * scale)


def test_a_trend_skips_the_places_of_missing_shots() -> None:
    found = shot_statistics(readings(0.0, None, 2.0, 3.0)).trend
    assert found is not None
    assert (found.slope, found.intercept) == (pytest.approx(1.0), pytest.approx(0.0, abs=1e-12))
    assert found.is_significant


@given(VALUES, st.floats(-10, 10).filter(lambda f: abs(f) > 1e-3), st.floats(-1e3, 1e3))
def test_scale_and_offset_pass_through(values: list[float], factor: float, offset: float) -> None:
    plain = shot_statistics(readings(*values))
    moved = shot_statistics(readings(*(factor * value + offset for value in values)))
    size = abs(offset) + abs(factor) * max(map(abs, values))
    assert moved.mean == pytest.approx(factor * plain.mean + offset, rel=1e-12, abs=1e-12 * size)
    assert moved.standard_deviation == pytest.approx(abs(factor) * plain.standard_deviation, rel=1e-9, abs=1e-12 * size)
    assert moved.trend.slope == pytest.approx(factor * plain.trend.slope, rel=1e-9, abs=1e-12 * size)


@given(VALUES, st.floats(0, 100))
def test_percentiles_are_those_of_numpy(values: list[float], percent: float) -> None:
    found = shot_statistics(readings(*values))
    assert found.percentile(percent) == np.percentile(values, percent)
    assert found.percentiles((percent, 50)) == (found.percentile(percent), found.percentile(50))


@pytest.mark.parametrize("percent", [-1, 101, float("nan")])
def test_a_percentile_outside_0_to_100_is_refused(percent: float) -> None:
    with pytest.raises(Misuse, match="percentile"):
        shot_statistics(readings(1.0)).percentile(percent)
