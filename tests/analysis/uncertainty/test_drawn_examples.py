"""Worked examples of JCGM 101:2008, clause 9, and of JCGM 102:2011; what was drawn is compared within four standard
errors of the draws (7.9). Printed results were seen in tests of reference libraries unless marked "from memory"."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
from uncertainties import umath

from wavewright.analysis.uncertainty.combination import combine
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.draws import propagate
from wavewright.analysis.uncertainty.inputs import Input
from wavewright.errors import Misuse

DRAWS = 1_000_000
NORMAL_END = 4 * 0.00267  # of u: a 2.5 % quantile of a normal distribution from a million draws


def total(x1, x2, x3, x4):
    return x1 + x2 + x3 + x4


def logarithm(x):
    return np.log(x)


def magnitude_of(x, y):
    return np.hypot(x, y)


def rng() -> np.random.Generator:
    return np.random.default_rng(20081)


def test_sum_of_four_normal_inputs() -> None:
    # 9.2.2: u 2.00, 95 % ±3.92
    result = combine(total, {f"x{n}": Input(0.0, 1.0) for n in range(1, 5)})
    assert [f"{result.standard:.2f}", f"{result.expanded(0.95):.2f}"] == ["2.00", "3.92"]


def test_sum_of_four_rectangular_inputs() -> None:
    # 9.2.3: u 2.00, 95 % ±3.88 where the formula of JCGM 100 gives ±3.92; exact ±2√3·(2 − (3/5)^¼) (math)
    inputs = {f"x{n}": Input(0.0, 1.0, Distribution.RECTANGULAR) for n in range(1, 5)}
    result = combine(total, inputs)
    assert [f"{result.standard:.2f}", f"{result.expanded(0.95):.2f}"] == ["2.00", "3.88"]
    assert result.expanded(0.95) == pytest.approx(2 * math.sqrt(3) * (2 - 0.6**0.25), rel=1e-6)
    drawn = propagate(total, inputs, rng=rng(), draws=DRAWS)
    assert drawn.interval(0.95) == pytest.approx(result.interval(0.95), abs=2 * NORMAL_END)


def test_sum_where_one_rectangular_input_dominates() -> None:
    # 9.2.4, from memory, not verified: u 10.1, 95 % ±17.0 where the formula of JCGM 100 gives ±19.9
    inputs = {f"x{n}": Input(0.0, u, Distribution.RECTANGULAR) for n, u in zip(range(1, 5), (1, 1, 1, 10), strict=True)}
    result = combine(total, inputs)
    assert [f"{result.standard:.1f}", f"{result.expanded(0.95):.1f}"] == ["10.1", "17.0"]
    assert result.expanded(0.95) == pytest.approx(17.01581410, rel=1e-6)
    assert f"{1.959963985 * result.standard:.1f}" == "19.9"


MASS = {
    "m_r": Input(100_000.000, 0.050),
    "delta": Input(1.234, 0.020),
    "rho_a": Input.within(1.20, 0.10),
    "rho_w": Input.within(8000.0, 1000.0),
    "rho_r": Input.within(8000.0, 50.0),
}


def deviation(m_r, delta, rho_a, rho_w, rho_r):
    return (m_r + delta) * (1 + (rho_a - 1.2) * (1 / rho_w - 1 / rho_r)) - 100_000.0


def test_mass_calibration() -> None:
    # 9.3, from memory, not verified, in mg: first order 1.2340, u 0.0539, 1.1285 … 1.3395; drawn 1.2341, u 0.0754,
    # exact (recomputed) u 0.07547974 and shortest 95 % interval 1.08443 … 1.38357
    first_order = combine(deviation, MASS, unit="mg")
    assert [f"{first_order.value:.4f}", f"{first_order.standard:.4f}"] == ["1.2340", "0.0539"]
    assert first_order.interval(0.95) == pytest.approx((1.1285, 1.3395), abs=0.000051)
    drawn = propagate(deviation, MASS, rng=rng(), draws=DRAWS)
    assert drawn.mean == pytest.approx(1.2340, abs=4 * 0.0755 / math.sqrt(DRAWS))
    assert drawn.standard == pytest.approx(0.07547974, abs=4 * 0.0755 / math.sqrt(2 * DRAWS))
    low, high = drawn.interval(0.95, shortest=True)
    assert high - low == pytest.approx(0.2991, abs=0.0015)
    assert drawn.interval(0.95) == pytest.approx((1.08443, 1.38357), abs=2 * NORMAL_END * 0.0755)


@pytest.mark.parametrize(
    "x1, mean, u, shortest",
    [
        # 9.4.2, from memory, not verified, in 1e-6: mean, u, shortest 95 % interval (recomputed: the third's is
        # 1593.6 … 3548.6, and any interval near the shortest is nearly as short)
        (0.000, 50, 50, (0.0, 149.787)),
        (0.010, 150, 112, (0.0, 366.01)),
        (0.050, 2550, 502, (1593.6, 3548.6)),
    ],
)
def test_comparison_loss_in_microwave_power(x1: float, mean: float, u: float, shortest: tuple[float, float]) -> None:
    inputs = {"x1": Input(x1, 0.005), "x2": Input(0.0, 0.005)}
    drawn = propagate(lambda x1, x2: x1**2 + x2**2, inputs, rng=rng(), draws=DRAWS)
    assert [1e6 * drawn.mean, 1e6 * drawn.standard] == pytest.approx([mean, u], abs=2.5)
    assert 1e6 * np.array(drawn.interval(0.95, shortest=True)) == pytest.approx(shortest, abs=0.05 * u)


def test_comparison_loss_with_correlated_inputs() -> None:
    # 9.4.3, from memory, not verified: r = 0.9, x1 = 0: mean 50, u 67, shortest 0 … 185, in 1e-6
    inputs = {"x1": Input(0.0, 0.005), "x2": Input(0.0, 0.005)}
    drawn = propagate(lambda x1, x2: x1**2 + x2**2, inputs, rng=rng(), draws=DRAWS, correlations={("x1", "x2"): 0.9})
    assert [f"{1e6 * drawn.mean:.0f}", f"{1e6 * drawn.standard:.0f}"] == ["50", "67"]
    assert 1e6 * drawn.interval(0.95, shortest=True)[1] == pytest.approx(185.06, abs=1.5)


def test_gauge_block() -> None:
    # 9.5, from memory, not verified, in nm: 838; first order u 32, drawn u 36 and 99 % 745 … 932 (recomputed 744.3 …
    # 931.7, u 35.81). The limits of δα and δθ are known to ±0.1e-6 and ±0.025 °C themselves: half of that is drawn here
    # as a second rectangular error, which has the same standard deviation to 0.1 %
    inputs = {
        "standard": Input(50_000_623.0, 25.0, Distribution.T, 18),
        "difference": Input(215.0, 6.0, Distribution.T, 24),
        "random": Input(0.0, 4.0, Distribution.T, 5),
        "systematic": Input(0.0, 7.0, Distribution.T, 8),
        "alpha": Input.within(11.5e-6, 2e-6),
        "mean_theta": Input(-0.1, 0.2),
        "cyclic_theta": Input.within(0.0, 0.5, distribution="arcsine"),
        "delta_alpha": Input(0.0, 5.78311719e-7, Distribution.RECTANGULAR),
        "delta_theta": Input(0.0, 0.03004626, Distribution.RECTANGULAR),
    }

    def length(*, standard, difference, random, systematic, alpha, mean_theta, cyclic_theta, delta_alpha, delta_theta):
        theta = mean_theta + cyclic_theta
        whole = standard + difference + random + systematic - standard * (delta_alpha * theta + alpha * delta_theta)
        return whole - 50_000_000

    first_order = combine(length, inputs, unit="nm")
    assert f"{first_order.value:.0f}" == "838"
    assert f"{first_order.standard:.0f}" == "32"
    drawn = propagate(length, inputs, rng=rng(), draws=DRAWS)
    assert [f"{drawn.mean:.0f}", f"{drawn.standard:.0f}"] == ["838", "36"]
    assert drawn.standard == pytest.approx(35.80792, abs=0.15)
    # a quantile of 0.5 % of a million draws, four standard errors, and 0.5 nm for the ends of the limits
    assert drawn.interval(0.99) == pytest.approx((744.3, 931.7), abs=4 * 0.00488 * 36 + 0.5)


def test_logarithm_of_a_wide_rectangular_input() -> None:
    # NPL report DEM-ES-011, 9.2: y = ln x, x 0.1 … 1.1: first order −0.511, u 0.481; drawn −0.665, u 0.606, shortest
    # 95 % interval ln 0.15 … ln 1.1 (math)
    inputs = {"x": Input.within(0.6, 0.5)}
    first_order = combine(logarithm, inputs)
    assert [f"{first_order.value:.3f}", f"{first_order.standard:.3f}"] == ["-0.511", "0.481"]
    drawn = propagate(logarithm, inputs, rng=rng(), draws=DRAWS)
    assert [drawn.mean, drawn.standard] == pytest.approx([-0.66490, 0.60623], abs=0.003)
    assert drawn.interval(0.95, shortest=True) == pytest.approx((math.log(0.15), math.log(1.1)), abs=0.01)


def test_magnitude_and_phase_of_a_small_vector() -> None:
    # JCGM 102:2011, table 6: x = 0.001, u 0.010 in both parts: magnitude 0.013, u 0.007; phase 0, u 1.744 rad
    inputs = {"x": Input(0.001, 0.01), "y": Input(0.0, 0.01)}
    magnitude = propagate(magnitude_of, inputs, rng=rng(), draws=DRAWS)
    assert [f"{magnitude.mean:.3f}", f"{magnitude.standard:.3f}"] == ["0.013", "0.007"]
    phase = propagate(lambda x, y: np.arctan2(y, x), inputs, rng=rng(), draws=DRAWS)
    assert phase.standard == pytest.approx(1.7441, abs=0.006)


def test_magnitude_and_phase_of_correlated_parts() -> None:
    # JCGM 102:2011, table 7: r = 0.9, x = 0.010: 0.015, u 0.008; phase −0.343, u 0.903 rad
    inputs = {"x": Input(0.010, 0.01), "y": Input(0.0, 0.01)}
    together = {("x", "y"): 0.9}
    magnitude = propagate(magnitude_of, inputs, rng=rng(), draws=DRAWS, correlations=together)
    assert [f"{magnitude.mean:.3f}", f"{magnitude.standard:.3f}"] == ["0.015", "0.008"]
    phase = propagate(lambda x, y: np.arctan2(y, x), inputs, rng=rng(), draws=DRAWS, correlations=together)
    assert [phase.mean, phase.standard] == pytest.approx([-0.343, 0.903], abs=0.005)


def test_first_order_agrees_with_a_reference_library() -> None:
    # source: uncertainties 3.2.3, which differentiates symbolically
    v, r, w = uncertainties.ufloat(4.2, 0.03), uncertainties.ufloat(1.7, 0.02), uncertainties.ufloat(0.4, 0.01)
    expected = v**2 / r * umath.exp(-w) + umath.sin(v * w)
    inputs = {"v": Input(4.2, 0.03), "r": Input(1.7, 0.02), "w": Input(0.4, 0.01)}
    found = combine(lambda v, r, w: v**2 / r * math.exp(-w) + math.sin(v * w), inputs)
    assert [found.value, found.standard] == pytest.approx([expected.n, expected.s], rel=1e-7)


@pytest.mark.parametrize(
    "size, expected", [(18, 26.51650), (5, 5.16398 / 4 * 25), (8, 8.08290 / 7 * 25), (24, 6.26680 / 6 * 25)]
)
def test_draws_of_a_t_distribution_scatter_by_more_than_its_scale(size: int, expected: float) -> None:
    # 6.4.9, from memory, not verified: u·√(ν/(ν − 2))
    drawn = propagate(lambda x: x, {"x": Input(0.0, 25.0, Distribution.T, size)}, rng=rng(), draws=DRAWS)
    assert drawn.standard == pytest.approx(expected, rel=0.02)


def test_draws_of_each_distribution_have_its_standard_uncertainty_and_its_interval() -> None:
    for kind in ("normal", "rectangular", "triangular", "arcsine"):
        one = Input(1.0, 0.5, Distribution(kind))
        drawn = propagate(lambda x: x, {"x": one}, rng=rng(), draws=DRAWS)
        assert drawn.standard == pytest.approx(0.5, rel=0.005), kind
        expected = combine(lambda x: x, {"x": one}).interval(0.95)
        assert drawn.interval(0.95) == pytest.approx(expected, abs=0.006), kind


def test_a_coverage_that_the_draws_cannot_tell_is_refused() -> None:
    drawn = propagate(lambda x: x, {"x": Input(0.0, 1.0)}, rng=rng(), draws=1000)
    with pytest.raises(Misuse, match=r"coverage 0\.999"):
        drawn.interval(0.999)


def test_too_few_draws_are_refused() -> None:
    with pytest.raises(Misuse, match="10 draws"):
        propagate(lambda x: x, {"x": Input(0.0, 1.0)}, rng=rng(), draws=10)


def test_correlation_of_inputs_that_are_not_normal_is_refused() -> None:
    inputs = {"x": Input.within(0.0, 1.0), "y": Input(0.0, 1.0)}
    with pytest.raises(Misuse, match="correlation with `x`"):
        propagate(lambda x, y: x + y, inputs, rng=rng(), correlations={("x", "y"): 0.5})


def test_a_result_that_is_not_finite_is_refused() -> None:
    with pytest.raises(Misuse, match="not finite"), np.errstate(all="ignore"):
        propagate(logarithm, {"x": Input(0.0, 1.0)}, rng=rng())
