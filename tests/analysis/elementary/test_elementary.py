"""Against NumPy's and SciPy's functions, which themselves may differ in the last digit between systems."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import special

from wavewright.analysis.elementary.angles import (
    arccosine,
    arcsine,
    arctangent,
    cosine,
    cosine_and_sine_of,
    sine_of,
)
from wavewright.analysis.elementary.bessel import bessel_i0, bessel_j0
from wavewright.analysis.elementary.beta import beta_quantile, probability_of_beta
from wavewright.analysis.elementary.exponentials import exp, expm1, log, log2, log10, power, powers, square
from wavewright.analysis.elementary.gamma import gamma_median, log_gamma
from wavewright.analysis.elementary.normal import erf, erfc, normal_quantile, normal_quantiles
from wavewright.analysis.elementary.student import characteristic_of_t, probability_of_t, quantile_of_t
from wavewright.analysis.elementary.sums import gram, inner, least_squares, solve, weighted

LAST = 2.0**-52
RNG = np.random.default_rng(204)
WIDE = np.exp(RNG.uniform(-300, 300, 20000))
AROUND_1 = 1 + RNG.uniform(-0.3, 0.4, 20000)
FREEDOMS = [1.0, 1.5, 2.0, 3.0, 5.0, 10.0, 30.0, 119.0, 1e3]


def test_exponentials() -> None:
    x = RNG.uniform(-700, 700, 20000)
    assert exp(x) == pytest.approx(np.exp(x), rel=2 * LAST)
    assert expm1(x / 200) == pytest.approx(np.expm1(x / 200), rel=3 * LAST)
    assert exp(np.array([-np.inf, -1e9, 0.0, 1e9, np.inf])).tolist() == [0.0, 0.0, 1.0, math.inf, math.inf]
    assert exp(-740.0) == math.exp(-740)  # below the least normal number
    assert math.isnan(exp(math.nan))
    assert np.isnan(exp(np.array([math.nan]))).all()


def test_logarithms() -> None:
    for x in (WIDE, AROUND_1):
        assert log(x) == pytest.approx(np.log(x), rel=2 * LAST)
        assert log10(x) == pytest.approx(np.log10(x), rel=4 * LAST)
    with np.errstate(all="ignore"):
        odd = np.array([0.0, -1.0, math.inf, math.nan, 5e-324, 1.7976931348623157e308])
        np.testing.assert_allclose(log(odd), np.log(odd), rtol=2 * LAST)
        np.testing.assert_allclose([log(float(one)) for one in odd], np.log(odd), rtol=2 * LAST)
    assert log2(8.0) == 3.0


def test_the_logarithm_of_a_power_of_ten_is_whole() -> None:
    tens = [float(f"1e{k}") for k in range(-323, 309)]
    assert [log10(one) for one in tens] == list(range(-323, 309))
    assert log10(np.array(tens)).tolist() == list(range(-323, 309))


def test_one_number_is_as_in_an_array() -> None:
    some = AROUND_1[:500]
    for function in (exp, expm1, log, log10, erf, erfc, square):
        assert [function(float(one)) for one in some] == function(some).tolist()
    cosines, sines = cosine_and_sine_of(100 * some)
    assert [cosine(float(one)) for one in 100 * some] == cosines.tolist()
    assert [sine_of(float(one)) for one in 100 * some] == sines.tolist()


def test_powers() -> None:
    x = RNG.uniform(-3, 3, 2000)
    for exponent in (0, 1, 2, 3, 7, -1, -4, 0.5, 1.5, -0.5, 1 / 3, 2.7, 65, 101.0):
        with np.errstate(all="ignore"):
            np.testing.assert_allclose(powers(x, exponent), np.power(x, exponent), rtol=1e-13)
            np.testing.assert_allclose(powers(2.5, x), np.power(2.5, x), rtol=1e-13)
            np.testing.assert_allclose(powers(np.abs(x), x), np.power(np.abs(x), x), rtol=1e-13)
    for base, exponent in zip(
        WIDE[:500], RNG.uniform(-90, 90, 500), strict=True
    ):  # of one number alike, to the last bit
        for other in (exponent, 1 / exponent, round(exponent)):
            assert power(base, other) == powers(base, other)[0]
    assert power(10.0, -3) == 1e-3
    assert power(10.0, 20) == 1e20


@pytest.mark.parametrize("size", [1.0, 1e6, 1e12])
def test_cosines_and_sines_of_angles_of_any_size(size: float) -> None:
    angles = RNG.uniform(-size, size, 20000)
    cosines, sines = cosine_and_sine_of(angles)
    assert np.abs(cosines - np.cos(angles)).max() < 4 * LAST
    assert np.abs(sines - np.sin(angles)).max() < 4 * LAST


def test_arcs() -> None:
    for y, x in RNG.normal(size=(2000, 2)).tolist():
        assert arctangent(y, x) == pytest.approx(math.atan2(y, x), abs=3 * LAST)
    quarters = [(0.0, 1.0), (0.0, -1.0), (1.0, 0.0), (-1.0, 0.0), (1.0, 1.0), (-1.0, -1.0), (0.0, 0.0), (-0.0, -1.0)]
    assert [arctangent(*one) for one in quarters] == [math.atan2(*one) for one in quarters]
    for ratio in np.linspace(-1, 1, 2001).tolist():
        assert arcsine(ratio) == pytest.approx(math.asin(ratio), abs=3 * LAST)
        assert arccosine(ratio) == pytest.approx(math.acos(ratio), abs=3 * LAST)


def test_bessel_functions() -> None:
    x = np.concatenate([np.linspace(0, 30, 5001), np.geomspace(30, 1e5, 2000)])
    assert np.abs(bessel_j0(x) - special.j0(x)).max() < 20 * LAST
    x = np.linspace(0, 20, 2001)
    assert bessel_i0(x) == pytest.approx(special.i0(x), rel=1e-14)


def test_the_normal_distribution() -> None:
    x = RNG.uniform(-7, 7, 20000)
    assert erf(x) == pytest.approx(special.erf(x), rel=8 * LAST)
    assert erfc(x) == pytest.approx(special.erfc(x), rel=80 * LAST)
    chances = np.concatenate([10 ** RNG.uniform(-300, -1, 500), RNG.uniform(0, 1, 500)])
    assert normal_quantiles(chances) == pytest.approx(special.ndtri(chances), rel=1e-12, abs=1e-14)
    assert normal_quantile(0.975) == pytest.approx(1.959963984540054, rel=1e-15)


@pytest.mark.parametrize("freedom", FREEDOMS)
def test_the_t_distribution(freedom: float) -> None:
    for distance in (1e-6, 0.1, 1.0, 3.0, 50.0):
        within = 1 - 2 * float(special.stdtr(freedom, -distance))
        assert probability_of_t(distance, freedom) == pytest.approx(within, abs=1e-10)  # SciPy's own is off so far
    for probability in (0.5, 0.95, 0.99, 1 - 1e-6):
        quantile = float(special.stdtrit(freedom, (1 + probability) / 2))
        assert quantile_of_t(probability, freedom) == pytest.approx(quantile, rel=1e-9)
    if freedom == 1:  # Cauchy's distribution, in closed form
        assert quantile_of_t(0.95, 1.0) == pytest.approx(math.tan(0.475 * math.pi), rel=1e-14)
        assert probability_of_t(2.0, 1.0) == pytest.approx(2 / math.pi * math.atan(2.0), rel=1e-14)
        angles = np.array([0.0, 1e-3, 1.0, 20.0])
        assert characteristic_of_t(angles, 1.0) == pytest.approx(np.exp(-angles), abs=4 * LAST)
    if freedom == 3:
        angles = np.linspace(0, 20, 200)
        scaled = math.sqrt(3) * angles
        assert characteristic_of_t(angles, 3.0) == pytest.approx((1 + scaled) * np.exp(-scaled), abs=1e-14)


def test_the_gamma_distribution() -> None:
    for shape in (0.5, 0.7, 1.0, 1.3, 2.0, 5.5, 10.0, 50.0, 99.9, 100.0, 150.0, 1e3, 1e5):
        assert gamma_median(shape) == pytest.approx(float(special.gammaincinv(shape, 0.5)), rel=1e-13)
        assert log_gamma(shape) == pytest.approx(float(special.gammaln(shape)), rel=1e-14, abs=1e-14)


@pytest.mark.parametrize("a, b", [(1, 100), (3, 98), (0.5, 2.5), (50, 51), (1, 1), (7, 1), (2, 999_999), (400, 9600)])
def test_the_beta_distribution(a: float, b: float) -> None:
    for probability in (0.025, 0.5, 0.975, 1e-6):
        quantile = float(special.betaincinv(a, b, probability))
        assert beta_quantile(probability, a, b) == pytest.approx(quantile, rel=1e-8)
        assert probability_of_beta(quantile, a, b) == pytest.approx(probability, rel=1e-7)
    assert (probability_of_beta(0.0, a, b), probability_of_beta(1.0, a, b)) == (0.0, 1.0)


@pytest.mark.parametrize("size", [1, 2, 3, 4])
def test_linear_equations(size: int) -> None:
    rows = RNG.normal(size=(size, 500)) * 10.0 ** RNG.uniform(-6, 6, (size, 1))
    values = RNG.normal(size=500)
    assert gram(rows) == pytest.approx(rows @ rows.T, rel=1e-9)
    assert inner(rows[0], values) == pytest.approx(float(rows[0] @ values), rel=1e-9)
    found = least_squares(rows, values)
    scale = np.abs(rows).max(axis=1)  # rows of one size, since NumPy's own loses digits by the ratio of their sizes
    expected = np.linalg.lstsq((rows / scale[:, None]).T, values, rcond=None)[0] / scale
    assert found == pytest.approx(expected, rel=1e-9)
    assert weighted(found, rows) == pytest.approx(found @ rows, rel=1e-9, abs=1e-12)
    matrix = RNG.normal(size=(size, size))
    assert solve(matrix, matrix[0]) == pytest.approx(np.linalg.solve(matrix, matrix[0]), rel=1e-8)
    assert solve(matrix, np.eye(size)) == pytest.approx(np.linalg.inv(matrix), rel=1e-8)


def test_equations_without_one_solution() -> None:
    assert np.isnan(solve(np.ones((2, 2)), np.ones(2))).all()
    assert solve(np.array([[0.0, 1.0], [1.0, 0.0]]), np.array([2.0, 3.0])).tolist() == [3.0, 2.0]
    twice = np.array([np.ones(9), 3 * np.ones(9)])
    assert least_squares(twice, np.full(9, 2.0)) == pytest.approx([2.0, 0.0])
