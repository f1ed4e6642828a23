"""Worked examples of EA-4/02 M:2022 for electrical quantities, and others where one or two limits dominate.

Estimates, standard uncertainties, contributions, k and U were seen in machine-readable copies or in tests of reference
libraries; raw inputs marked "from memory" were not, but give what is printed.
"""

from __future__ import annotations

import math
from statistics import fmean

import metrolopy
import numpy as np
import pytest

from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.combination import combine
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.draws import propagate
from wavewright.analysis.uncertainty.inputs import Input


def summed(**inputs: float) -> float:
    return math.fsum(inputs.values())


def test_resistor_of_10_kilohm_by_substitution() -> None:
    # EA-4/02, supplement 1, resistor; raw inputs from memory, not verified: 10 000.178 ohm, U 17 mohm (k = 2);
    # contributions 2.5, 5.8, 1.6, 3.2, 4.1, 0.7 mohm; u 8.33 mohm
    ratios = (1.0000104, 1.0000107, 1.0000106, 1.0000103, 1.0000105)
    inputs = {
        "standard": Input.certified(10_000.053, 5e-3, k=2),
        "drift": Input.within(20e-3, 10e-3),
        "standard_temperature": Input.within(0.0, 2.75e-3),
        "parasitic": Input.within(1.0, 1e-6, distribution="triangular"),
        "ratio": Input.observed(ratios),
        "unknown_temperature": Input.within(0.0, 5.5e-3),
    }
    result = combine(
        lambda standard, drift, standard_temperature, parasitic, ratio, unknown_temperature: (
            (standard + drift + standard_temperature) * parasitic * ratio - unknown_temperature
        ),
        inputs,
        unit="ohm",
    )
    assert f"{result.value:.3f}" == "10000.178"
    parts = {one.name: abs(one.standard) * 1e3 for one in result.contributions}
    assert [f"{parts[name]:.1f}" for name in inputs] == ["2.5", "5.8", "1.6", "4.1", "0.7", "3.2"]
    assert f"{1e3 * result.standard:.2f}" == "8.33"
    assert f"{2e3 * result.standard:.0f}" == "17"
    assert [result.value, result.standard] == pytest.approx([10_000.1780008, 8.32800e-3], rel=1e-6)
    # what the interval really is: two rectangular contributions lead, so that less than 2 u is enough
    assert 1.9 * result.standard < result.expanded(0.9545) < 2.0 * result.standard


def test_step_attenuator_of_30_decibels() -> None:
    # EA-4/02, supplement 1, attenuator; raw inputs from memory, not verified: 30.043 dB, u 0.0224, U 0.045 dB (k = 2)
    inputs = {
        "observed": Input.observed((30.033, 30.058, 30.018, 30.052)),
        "standard": Input(0.003, 0.0025),
        "drift": Input.within(0.0, 0.002),
        "mismatch": Input.within(0.0, 0.0283, distribution="arcsine"),
        "leakage": Input.within(0.0, 0.003),
        "resolution_a": Input.within(0.0, 0.0005),
        "resolution_b": Input.within(0.0, 0.0005),
        "null_a": Input(0.0, 0.002),
        "null_b": Input(0.0, 0.002),
    }
    result = combine(summed, inputs, unit="dB")
    assert f"{result.value:.3f}" == "30.043"
    assert f"{result.standard:.4f}" == "0.0224"
    assert f"{2 * result.standard:.3f}" == "0.045"
    assert result.standard == pytest.approx(0.0224185, rel=3e-5)
    assert math.floor(result.degrees_of_freedom) in (108, 109)
    # source: metrolopy 1.1.1, the same inputs
    theirs = metrolopy.gummy(30.04025, 0.00913213, dof=3) + metrolopy.gummy(0.003, 0.0025)
    for name in ("drift", "mismatch", "leakage", "resolution_a", "resolution_b", "null_a", "null_b"):
        theirs = theirs + metrolopy.gummy(inputs[name].value, inputs[name].standard)
    assert [result.value, result.standard] == pytest.approx([float(theirs.x), float(theirs.u)], rel=1e-6)
    assert result.degrees_of_freedom == pytest.approx(float(theirs.dof), rel=1e-4)


def test_power_sensor() -> None:
    # EA-4/02, supplement 1, power sensor: calibration factor 0.933 ± 0.032 (k = 2); the full budget is not at hand, so
    # the ratio that was observed and the result's standard uncertainty of 0.0161763656 are what is checked
    observed = Input.observed((0.9772, 0.9671, 0.9836))
    assert observed.value * (0.957 - 0.001) == pytest.approx(0.9330241333, rel=1e-9)
    assert f"{observed.value * (0.957 - 0.001):.3f}" == "0.933"
    assert observed.standard == pytest.approx(0.00480289, rel=1e-6)
    whole = Budget(0.9330241333, "1", (Contribution("all", 0.0161763656),))
    assert f"{whole.expanded(0.9545):.3f}" == "0.032"


def test_handheld_meter_at_100_volts() -> None:
    # EA-4/02, supplement 1, hand-held multimeter; inputs from memory, not verified: error 0.10 V; contributions 0.001,
    # 0.029, 0.0064; u 0.030; one rectangular limit dominates: k 1.65, U 0.05 V
    inputs = {
        "indicated": Input(100.1),
        "source": Input.certified(100.0, 0.002, k=2),
        "resolution": Input.within(0.0, 0.05),
        "source_limits": Input.within(0.0, 0.011),
    }
    result = combine(
        lambda indicated, source, resolution, source_limits: indicated - source + resolution - source_limits,
        inputs,
        unit="V",
    )
    assert f"{result.value:.2f}" == "0.10"
    parts = {one.name: abs(one.standard) for one in result.contributions}
    assert [f"{parts['source']:.3f}", f"{parts['resolution']:.3f}", f"{parts['source_limits']:.4f}"] == [
        "0.001",
        "0.029",
        "0.0064",
    ]
    assert f"{result.standard:.3f}" == "0.030"
    assert f"{result.expanded(0.95):.2f}" == "0.05"
    assert result.expanded(0.95) == pytest.approx(0.05055969, abs=1e-8)  # math: exact convolution, by quadrature
    # source: EA-4/02: with the limit alone k is 1.65
    alone = combine(lambda resolution: resolution, {"resolution": inputs["resolution"]})
    assert f"{alone.expanded(0.95) / alone.standard:.2f}" == "1.65"
    drawn = propagate(
        lambda indicated, source, resolution, source_limits: indicated - source + resolution - source_limits,
        inputs,
        rng=np.random.default_rng(7),
    )
    # JCGM 101:2008, 7.9: four standard errors of such a quantile of 200 000 draws
    assert drawn.interval(0.95) == pytest.approx(result.interval(0.95), abs=4 * 0.0032 * result.standard)


def test_two_limits_that_dominate() -> None:
    # EA-4/02, supplement 2, vernier caliper: contributions 0.46, 1.15·1.7/1.7, 15 and 29 µm, the last two rectangular:
    # u 33 µm, k 1.83, U 0.06 mm
    result = Budget(
        150.10,
        "mm",
        (
            Contribution("reference", 0.46e-3),
            Contribution("temperature", 1.15e-3, distribution=Distribution.RECTANGULAR),
            Contribution("resolution", 15e-3, distribution=Distribution.RECTANGULAR),
            Contribution("mechanical effects", 29e-3, distribution=Distribution.RECTANGULAR),
        ),
    )
    assert f"{result.standard:.3f}" == "0.033"
    assert f"{result.expanded(0.95):.2f}" == "0.06"
    # the printed k is that of a trapezium with edges 0.33 of the base; the two that dominate alone give 1.83
    two = Budget(150.10, "mm", result.contributions[2:])
    assert f"{two.expanded(0.95) / two.standard:.2f}" in ("1.83", "1.84")


def test_few_observations_that_dominate() -> None:
    # EA-4/02, supplement 2, water meter: 0.00060 from 3 observations and 0.00068: u 0.00091, k 2.28 (10 degrees of
    # freedom), U 0.002
    result = combine(summed, {"repeatability": Input(0.0, 0.00060, Distribution.T, 2), "others": Input(0.0, 0.00068)})
    assert f"{result.standard:.5f}" == "0.00091"
    assert math.floor(result.degrees_of_freedom) == 10
    factor = Distribution.T.half_width(math.erf(math.sqrt(2)), freedom=10)
    assert f"{factor:.2f}" == "2.28"
    assert f"{factor * result.standard:.3f}" == "0.002"


@pytest.mark.parametrize(
    "coverage, kind, printed",
    [
        (0.95, "normal", "1.960"),
        (0.99, "normal", "2.576"),
        (1.0, "rectangular", "1.732"),
        (1.0, "triangular", "2.449"),
    ],
)
def test_divisors_of_technical_note_1297(coverage: float, kind: str, printed: str) -> None:
    # NIST TN 1297, 4.3 to 4.6
    assert f"{Distribution(kind).half_width(coverage):.3f}" == printed


def test_viscosity_of_technical_note_1900() -> None:
    # NIST TN 1900, example 3: first order 5.69; the printed u of 1.11 and the interval 4.05 … 8.39 are those of drawing
    inputs = {
        "mu_c": Input(4.63, 0.0463),
        "t_m": Input(61.0, 6.1),
        "t_c": Input(36.6, 5.49),
        "rho_b": Input(2217.0, 0.5),
        "rho_m": Input(1180.0, 0.5),
        "rho_c": Input(810.0, 0.5),
    }

    def viscosity(*, mu_c, t_m, t_c, rho_b, rho_m, rho_c):
        return mu_c * (rho_b - rho_m) / (rho_b - rho_c) * t_m / t_c

    first_order = combine(viscosity, inputs, unit="mPa s")
    assert f"{first_order.value:.2f}" == "5.69"
    assert [first_order.value, first_order.standard] == pytest.approx([5.68740820, 1.02689], rel=1e-4)
    drawn = propagate(viscosity, inputs, rng=np.random.default_rng(3), draws=1_000_000)
    # a quotient by a normal number has long tails: no two runs of drawing agree in the last printed digit
    assert [drawn.mean, drawn.standard] == pytest.approx([5.82, 1.11], abs=0.015)
    assert drawn.interval(0.95) == pytest.approx((4.05, 8.39), abs=0.02)


def test_thermal_expansion_of_technical_note_1900() -> None:
    # NIST TN 1900, example 13: 1.7266e-5 per K, u 1.76e-6 to first order
    inputs = {
        "l0": Input(1.4999, 0.0001, Distribution.T, 3),
        "l1": Input(1.5021, 0.0002, Distribution.T, 3),
        "t0": Input(288.15, 0.02, Distribution.T, 3),
        "t1": Input(373.10, 0.05, Distribution.T, 3),
    }
    result = combine(lambda l0, l1, t0, t1: (l1 - l0) / (l0 * (t1 - t0)), inputs, unit="1/K")
    assert [f"{result.value:.4e}", f"{result.standard:.2e}"] == ["1.7266e-05", "1.76e-06"]
    assert result.standard == pytest.approx(1.75547728e-6, rel=1e-6)


def test_stefan_boltzmann_constant() -> None:
    # NIST Uncertainty Machine, example 10 (CODATA 2010): 5.67037e-8, u 2.05e-13; 99 % 5.67032e-8 … 5.67043e-8
    inputs = {
        "h": Input(6.62606957e-34, 29e-42),
        "r": Input(8.3144621, 75e-7),
        "rydberg": Input(10973731.568539, 55e-6),
        "electron": Input(5.4857990946e-4, 22e-14),
        "alpha": Input(7.2973525698e-3, 24e-13),
    }

    def sigma(h: float, r: float, rydberg: float, electron: float, alpha: float) -> float:
        above = 32 * math.pi**5 * h * r**4 * rydberg**4
        return above / (15 * electron**4 * 0.001**4 * 299792458.0**6 * alpha**8)

    result = combine(sigma, inputs, unit="W/m^2/K^4")
    assert f"{result.value:.5e}" == "5.67037e-08"
    assert f"{result.standard:.2e}" == "2.05e-13"
    assert [f"{end:.5e}" for end in result.interval(0.99)] == ["5.67032e-08", "5.67043e-08"]
    assert [f"{end:.5e}" for end in result.interval(0.68)] == ["5.67035e-08", "5.67039e-08"]


def test_mean_of_four_is_that_of_the_observations() -> None:
    assert Input.observed((30.033, 30.058, 30.018, 30.052)).value == pytest.approx(
        fmean((30.033, 30.058, 30.018, 30.052))
    )
