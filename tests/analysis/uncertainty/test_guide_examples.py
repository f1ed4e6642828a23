"""Worked examples of JCGM 100:2008 (GUM), clauses 4 to 7 and annexes E to H, to their last printed digit.

Digits beyond the printed ones were recomputed with 40 digits or exact fractions. Examples marked "from memory" have
printed inputs and results that were not looked up, but agree with each other.
"""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest

from wavewright.analysis.statistics.shot_statistics import mean_and_deviation
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.combination import combine, correlation
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.inputs import Input


def digits(number: float, places: int) -> str:
    return f"{number:.{places}f}"


def significant(number: float, figures: int) -> str:
    return f"{number:.{figures - 1}e}"


# --- clause 4: one input -----------------------------------------------------------------------------------------


def test_certificate_with_three_standard_deviations() -> None:
    # 4.3.3, from memory, not verified: 1000.000325 g ± 240 µg at three standard deviations
    mass = Input.certified(1000.000325, 240e-6, k=3)
    assert mass.standard == pytest.approx(80e-6)
    assert significant(mass.standard / mass.value, 2) == "8.0e-08"


def test_certificate_with_99_per_cent() -> None:
    # 4.3.4, from memory, not verified: 10.000742 ohm ± 129 µohm at 99 %, printed u 50 µohm, u² 2.5e-9, relative 5.0e-6
    resistor = Input.certified(10.000742, 129e-6, coverage=0.99)
    assert significant(resistor.standard, 2) == "5.0e-05"
    assert significant(resistor.standard**2, 2) == "2.5e-09"
    assert significant(resistor.standard / resistor.value, 2) == "5.0e-06"


def test_limits_that_hold_half_of_the_values() -> None:
    # 4.3.5, from memory, not verified: 10.11 mm ± 0.04 mm, half of the values inside; u = 1.48 · 0.04 mm = 0.06 mm
    length = Input.certified(10.11, 0.04, coverage=0.5)
    assert digits(length.standard / 0.04, 2) == "1.48"
    assert digits(length.standard, 2) == "0.06"
    assert significant(length.standard**2, 2) == "3.5e-03"


def test_limits_that_hold_two_thirds_of_the_values() -> None:
    # 4.3.6, from memory, not verified: u is about the half-width
    assert Input.certified(0.0, 1.0, coverage=2 / 3).standard == pytest.approx(1.03367553, rel=1e-8)
    assert Input.certified(0.0, 1.0, coverage=math.erf(1 / math.sqrt(2))).standard == pytest.approx(1.0, rel=1e-12)


def test_rectangular_limits_of_an_expansion_coefficient() -> None:
    # 4.3.7, example 1, from memory, not verified: (16.52 ± 0.40)e-6 per °C
    copper = Input.within(16.52e-6, 0.40e-6)
    assert significant(copper.standard, 2) == "2.3e-07"
    assert significant(copper.standard**2, 3) == "5.33e-14"


def test_voltmeter_and_its_readings() -> None:
    # 4.3.7, example 2, and 5.1.5, from memory, not verified: mean 0.928571 V, s 12 µV; 14e-6 of reading + 2e-6 of 1 V
    limit = 14e-6 * 0.928571 + 2e-6
    assert significant(limit, 2) == "1.5e-05"
    specified = Input.within(0.0, limit)
    assert significant(specified.standard, 2) == "8.7e-06"
    assert significant(specified.standard**2, 2) == "7.5e-11"
    result = combine(
        lambda mean, correction: mean + correction,
        {"mean": Input(0.928571, 12e-6), "correction": specified},
        unit="V",
    )
    assert significant(result.standard**2, 3) == "2.19e-10"
    assert significant(result.standard, 2) == "1.5e-05"
    assert significant(result.standard / result.value, 2) == "1.6e-05"
    assert result.standard == pytest.approx(14.7986466e-6, rel=1e-8)


def test_limits_that_are_not_symmetric() -> None:
    # 4.3.8, from memory, not verified: −0.12e-6 … +0.40e-6, u = 0.52e-6/√12
    assert significant(Input.within(0.14e-6, 0.26e-6).standard, 2) == "1.5e-07"


TEMPERATURES = (
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
)  # fmt: skip


def test_twenty_temperatures() -> None:
    # 4.4.3, table 1: mean 100.145, s 1.489, u 0.333 °C, 19 degrees of freedom
    mean, deviation = mean_and_deviation(TEMPERATURES)
    observed = Input.observed(TEMPERATURES)
    assert [digits(mean, 3), digits(deviation, 3)] == ["100.145", "1.489"]
    assert [observed.value, observed.degrees_of_freedom] == [mean, 19]
    assert digits(observed.standard, 3) == "0.333"
    assert observed.standard == pytest.approx(0.33291575, rel=1e-8)
    reference = GTC.type_a.estimate(TEMPERATURES)
    assert [observed.value, observed.standard] == pytest.approx([reference.x, reference.u], rel=1e-13)


def test_rectangular_and_triangular_temperatures() -> None:
    # 4.4.5 and 4.4.6, from memory, not verified: 96 … 104 °C gives 2.3 °C, and 1.6 °C if triangular
    assert digits(Input.within(100.0, 4.0).standard, 1) == "2.3"
    assert digits(Input.within(100.0, 4.0, distribution="triangular").standard, 1) == "1.6"


def test_resolution_of_an_indication() -> None:
    # F.2.2.1, from memory, not verified: u = 0.29 of the step
    assert digits(Input.within(0.0, 0.5).standard, 2) == "0.29"


# --- clauses 5 to 7 and annex G -----------------------------------------------------------------------------------


def test_ten_resistors_that_were_compared_with_one_standard() -> None:
    # 5.2.2, from memory, not verified: ten of 1000 ohm, each uncertain by the same 100 mohm: 1 ohm, not 0.32 ohm
    names = [f"r{number}" for number in range(10)]

    def in_series(**resistances: float) -> float:
        return math.fsum(resistances.values())

    shared = combine(in_series, {name: Input(1000.0, 0.1, key="standard") for name in names}, unit="ohm")
    assert shared.value == 10_000.0
    assert shared.standard == pytest.approx(1.0, rel=1e-9)
    apart = combine(in_series, {name: Input(1000.0, 0.1) for name in names}, unit="ohm")
    assert digits(apart.standard, 2) == "0.32"
    stated = {(one, other): 1.0 for one in names for other in names if one < other}
    correlated = combine(in_series, {name: Input(1000.0, 0.1) for name in names}, unit="ohm", correlations=stated)
    assert correlated.standard == pytest.approx(1.0, rel=1e-9)


def test_reported_mass_of_100_grams() -> None:
    # 7.2.2 and 7.2.4: 100.02147 g, u 0.35 mg, 9 degrees of freedom, 95 %: k 2.26, U 0.00079 g
    mass = Budget(100.02147, "g", (Contribution("mass", 0.35e-3, distribution=Distribution.T, degrees_of_freedom=9),))
    assert digits(mass.expanded(0.95) / mass.standard, 2) == "2.26"
    assert digits(mass.expanded(0.95), 5) == "0.00079"


def test_effective_degrees_of_freedom_of_a_product() -> None:
    # G.4.1: relative 0.25, 0.57, 0.82 % from 10, 5, 15 observations: u 1.03 %, 19.0 degrees of freedom, U95 2.2 %
    inputs = {
        name: Input(1.0, percent / 100, Distribution.T, count - 1)
        for name, percent, count in (("x1", 0.25, 10), ("x2", 0.57, 5), ("x3", 0.82, 15))
    }
    result = combine(lambda x1, x2, x3: x1 * x2 * x3, inputs)
    assert digits(100 * result.standard, 2) == "1.03"
    assert digits(result.degrees_of_freedom, 1) == "19.0"
    assert result.degrees_of_freedom == pytest.approx(18.99874231, rel=1e-6)
    assert digits(100 * result.standard * Distribution.T.half_width(0.95, freedom=19), 1) == "2.2"


def test_effective_degrees_of_freedom_with_an_input_that_is_known_well() -> None:
    # G.4, the same with 0.57 (9 degrees of freedom) and 0.25 (infinitely many): 12.8
    inputs = {"a": Input(0.0, 0.57, Distribution.T, 9), "b": Input(0.0, 0.25)}
    assert digits(combine(lambda a, b: a + b, inputs).degrees_of_freedom, 1) == "12.8"


# annex G, table G.2 (NIST TN 1297, table B.1): factors of t for 68.27, 90, 95, 95.45, 99 and 99.73 %
FACTORS = {
    1: (1.84, 6.31, 12.71, 13.97, 63.66, 235.80),
    2: (1.32, 2.92, 4.30, 4.53, 9.92, 19.21),
    3: (1.20, 2.35, 3.18, 3.31, 5.84, 9.22),
    4: (1.14, 2.13, 2.78, 2.87, 4.60, 6.62),
    5: (1.11, 2.02, 2.57, 2.65, 4.03, 5.51),
    8: (1.07, 1.86, 2.31, 2.37, 3.36, 4.28),
    10: (1.05, 1.81, 2.23, 2.28, 3.17, 3.96),
    16: (1.03, 1.75, 2.12, 2.17, 2.92, 3.54),
    20: (1.03, 1.72, 2.09, 2.13, 2.85, 3.42),
    50: (1.01, 1.68, 2.01, 2.05, 2.68, 3.16),
    math.inf: (1.0, 1.64, 1.96, 2.0, 2.58, 3.0),
}


@pytest.mark.parametrize("freedom", FACTORS)
def test_factors_of_the_t_distribution(freedom: float) -> None:
    sigmas = [math.erf(k / math.sqrt(2)) for k in (1, 2, 3)]  # 68.27, 95.45 and 99.73 % are rounded
    coverages = (sigmas[0], 0.90, 0.95, sigmas[1], 0.99, sigmas[2])
    kind = Distribution.T if math.isfinite(freedom) else Distribution.NORMAL
    budget = Budget(0.0, "V", (Contribution("one", 1.0, distribution=kind, degrees_of_freedom=freedom),))
    found = [budget.expanded(coverage) for coverage in coverages]
    assert found == pytest.approx(FACTORS[freedom], abs=0.005001)


# --- annex H.1: end gauge -----------------------------------------------------------------------------------------


def end_gauge(d_parts: tuple[float, float, float], unit: float = 1.0) -> Budget:
    """H.1: l = l_S + d − l_S·(δα·θ + α_S·δθ), nm and °C; d_parts are the three standard uncertainties of d."""
    inputs = {
        "standard": Input(50_000_623.0, 75 / 3, Distribution.T, 18),
        "difference": Input(215.0, d_parts[0], Distribution.T, 24),
        "random": Input(0.0, d_parts[1], Distribution.T, 5),
        "systematic": Input(0.0, d_parts[2], Distribution.T, 8),
        "alpha": Input.within(11.5e-6, 2e-6),
        "mean_theta": Input(-0.1, 0.2),
        "cyclic_theta": Input.within(0.0, 0.5, distribution="arcsine"),
        "delta_alpha": Input.within(0.0, 1e-6, degrees_of_freedom=50),
        "delta_theta": Input.within(0.0, 0.05, degrees_of_freedom=2),
    }
    return combine(
        lambda standard, difference, random, systematic, alpha, mean_theta, cyclic_theta, delta_alpha, delta_theta: (
            standard
            + (difference + random + systematic)
            - standard * (delta_alpha * (mean_theta + cyclic_theta) + alpha * delta_theta)
        ),
        inputs,
        unit="nm",
    )


RAW = (13 / math.sqrt(5), 10 / 2.570581836, 20 / 3)  # s over √5; 95 % limits with t(5); three standard deviations


def test_end_gauge_estimate_and_combined_uncertainty() -> None:
    # H.1.6: l = 50.000 838 mm, u_c = 32 nm (u_c² = 1002 nm²); H.1.7: effective degrees of freedom 16.7, used as 16
    gauge = end_gauge(RAW)
    assert digits(gauge.value, 0) == "50000838"
    assert [digits(gauge.standard, 0), digits(gauge.standard**2, 0)] == ["32", "1002"]
    assert gauge.standard == pytest.approx(31.65816019, rel=1e-7)
    assert digits(gauge.degrees_of_freedom, 1) == "16.7"
    assert gauge.degrees_of_freedom == pytest.approx(16.74115, rel=1e-5)
    # the printed expanded uncertainty of 93 nm is 2.92 · 32 with both factors rounded; unrounded it is 92.47
    factor = Distribution.T.half_width(0.99, freedom=math.floor(gauge.degrees_of_freedom))
    assert digits(factor, 2) == "2.92"
    assert digits(round(factor, 2) * round(gauge.standard), 0) == "93"
    assert factor * gauge.standard == pytest.approx(92.46657, rel=1e-6)


def test_end_gauge_inputs_and_their_shares() -> None:
    # H.1, table H.1, terms in nm: 25, 9.7 (of three parts), 0, 0, 2.9, 16.6
    gauge = end_gauge(RAW)
    parts = {one.name: abs(one.standard) for one in gauge.contributions}
    of_d = math.hypot(parts["difference"], parts["random"], parts["systematic"])
    assert [digits(parts["standard"], 0), digits(of_d, 1)] == ["25", "9.7"]
    assert [digits(parts["delta_alpha"], 1), digits(parts["delta_theta"], 1)] == ["2.9", "16.6"]
    # at δα = 0 and δθ = 0 neither the temperature nor the coefficient matters
    assert {"alpha", "mean_theta", "cyclic_theta"}.isdisjoint(parts)
    by_name = {one.name: one.sensitivity for one in gauge.contributions}
    assert by_name["delta_alpha"] == pytest.approx(5_000_062.3, rel=1e-7)  # −l_S·θ, nm °C
    assert by_name["delta_theta"] == pytest.approx(-575.0071645, rel=1e-7)  # −l_S·α_S, nm/°C
    assert digits(Input.within(0.0, 0.5, distribution="arcsine").standard, 2) == "0.35"
    assert significant(Input.within(11.5e-6, 2e-6).standard, 2) == "1.2e-06"
    assert significant(Input.within(0.0, 1e-6).standard, 2) == "5.8e-07"
    assert significant(Input.within(0.0, 0.05).standard, 2) == "2.9e-02"


def test_end_gauge_agrees_with_a_reference_library() -> None:
    # source: GTC 1.5.1, with the parts of d as they are tabled
    l_s = GTC.ureal(50_000_623, 25, 18)
    d = GTC.ureal(215, 5.8, 24) + GTC.ureal(0, 3.9, 5) + GTC.ureal(0, 6.7, 8)
    alpha = GTC.ureal(11.5e-6, GTC.type_b.uniform(2e-6))
    theta = GTC.ureal(-0.1, 0.2) + GTC.ureal(0, GTC.type_b.arcsine(0.5))
    d_alpha = GTC.ureal(0, GTC.type_b.uniform(1e-6), 50)
    d_theta = GTC.ureal(0, GTC.type_b.uniform(0.05), 2)
    length = l_s + d - l_s * (d_alpha * theta + alpha * d_theta)
    ours = end_gauge((5.8, 3.9, 6.7))
    assert [ours.value, ours.standard, ours.degrees_of_freedom] == pytest.approx(
        [length.x, length.u, length.df], rel=1e-6
    )


# --- annex H.2: simultaneous resistance and reactance -------------------------------------------------------------

VOLTS = (5.007, 4.994, 5.005, 4.990, 4.999)
AMPERES = (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
RADIANS = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def observed_together() -> tuple[dict[str, Input], dict[tuple[str, str], float]]:
    sets = {"v": VOLTS, "i": AMPERES, "phi": RADIANS}
    matrix = np.corrcoef(list(sets.values()))
    names = list(sets)
    pairs = {
        (one, other): float(matrix[row, row + 1 + column])
        for row, one in enumerate(names)
        for column, other in enumerate(names[row + 1 :])
    }
    return {name: Input.observed(values, key=name) for name, values in sets.items()}, pairs


def impedances(*, correlated: bool = True) -> tuple[Budget, Budget, Budget]:
    inputs, pairs = observed_together()
    how = {"unit": "ohm", "correlations": pairs if correlated else None}
    return (
        combine(lambda v, i, phi: v / i * math.cos(phi), inputs, **how),
        combine(lambda v, i, phi: v / i * math.sin(phi), inputs, **how),
        combine(lambda v, i, phi: v / i, inputs, **how),
    )


def test_means_of_voltage_current_and_phase() -> None:
    # H.2, table H.2: 4.9990 V, 0.0032; 19.6610 mA, 0.0095; 1.04446 rad, 0.00075; r −0.36, 0.86, −0.65
    inputs, pairs = observed_together()
    assert [digits(inputs["v"].value, 4), digits(inputs["v"].standard, 4)] == ["4.9990", "0.0032"]
    assert [digits(1e3 * inputs["i"].value, 4), digits(1e3 * inputs["i"].standard, 4)] == ["19.6610", "0.0095"]
    assert [digits(inputs["phi"].value, 5), digits(inputs["phi"].standard, 5)] == ["1.04446", "0.00075"]
    assert [digits(pairs[pair], 2) for pair in (("v", "i"), ("v", "phi"), ("i", "phi"))] == ["-0.36", "0.86", "-0.65"]


def test_resistance_reactance_and_impedance() -> None:
    # H.2, table H.3: 127.732, 0.071; 219.847, 0.295; 254.260, 0.236 ohm. The printed 0.295 is that of approach 2;
    # from unrounded numbers it is 0.2956
    resistance, reactance, impedance = impedances()
    assert [digits(one.value, 3) for one in (resistance, reactance, impedance)] == ["127.732", "219.847", "254.260"]
    assert [digits(resistance.standard, 3), digits(impedance.standard, 3)] == ["0.071", "0.236"]
    assert [one.standard for one in (resistance, reactance, impedance)] == pytest.approx(
        [0.07107141, 0.29558168, 0.23633613], rel=1e-6
    )


def test_correlation_of_resistance_reactance_and_impedance() -> None:
    # H.2, table H.3: −0.588, −0.485, 0.993
    resistance, reactance, impedance = impedances()
    found = [correlation(*pair) for pair in ((resistance, reactance), (resistance, impedance), (reactance, impedance))]
    assert [digits(one, 3) for one in found] == ["-0.588", "-0.485", "0.993"]
    assert found == pytest.approx([-0.58842978, -0.48525922, 0.99251165], abs=1e-6)


def test_each_set_evaluated_by_itself_gives_the_same() -> None:
    # H.2, table H.4 (sets from memory, not verified; results seen): approach 2, 0.071, 0.295, 0.236 ohm
    sets = list(zip(VOLTS, AMPERES, RADIANS, strict=True))
    resistance = Input.observed([v / i * math.cos(phi) for v, i, phi in sets])
    reactance = Input.observed([v / i * math.sin(phi) for v, i, phi in sets])
    impedance = Input.observed([v / i for v, i, _ in sets])
    assert [digits(one.value, 3) for one in (resistance, reactance, impedance)] == ["127.732", "219.847", "254.260"]
    assert [digits(one.standard, 3) for one in (resistance, reactance, impedance)] == ["0.071", "0.295", "0.236"]
    assert resistance.degrees_of_freedom == 4


def test_without_the_correlation_the_result_would_be_wrong() -> None:
    # math: recomputed with all coefficients 0
    assert [one.standard for one in impedances(correlated=False)] == pytest.approx(
        [0.19454445, 0.20090931, 0.20407643], rel=1e-6
    )


def test_inputs_without_identity_have_the_degrees_of_freedom_of_their_observations() -> None:
    # H.2: all of it was observed five times
    _, pairs = observed_together()
    plain = {name: Input.observed(values) for name, values in (("v", VOLTS), ("i", AMPERES), ("phi", RADIANS))}
    resistance = combine(lambda v, i, phi: v / i * math.cos(phi), plain, unit="ohm", correlations=pairs)
    assert resistance.degrees_of_freedom == pytest.approx(4.0)
    assert resistance.standard == pytest.approx(impedances()[0].standard, rel=1e-12)


def test_correlated_inputs_agree_with_a_reference_library() -> None:
    # source: GTC 1.5.1, inputs estimated from simultaneous observations
    volts, amperes, radians = GTC.type_a.multi_estimate_real((VOLTS, AMPERES, RADIANS))
    expected = volts / amperes * GTC.cos(radians), volts / amperes * GTC.sin(radians), volts / amperes
    for ours, theirs in zip(impedances(), expected, strict=True):
        assert [ours.value, ours.standard] == pytest.approx([theirs.x, theirs.u], rel=1e-6)


# --- annex H.4: activity of radon ---------------------------------------------------------------------------------

# H.4, table H.7 (inputs seen in a reference library's examples): minutes, and counts in 60 minutes
STANDARD = (
    (243.74, 15380), (984.53, 14978), (1723.87, 14394), (2463.17, 13254), (3217.56, 12516), (3956.83, 11058),
)  # fmt: skip
BLANK = (4054, 3922, 4200, 3830, 3956, 3980)
SAMPLE = (
    (367.37, 41432), (1107.66, 38706), (1846.99, 35860), (2586.28, 32238), (3340.68, 29640), (4079.94, 26356),
)  # fmt: skip


def rates(of: tuple[tuple[float, int], ...]) -> list[float]:
    return [
        (count - blank) / 60 * math.exp(1.25894e-4 * minutes) for (minutes, count), blank in zip(of, BLANK, strict=True)
    ]


def test_activity_by_comparison_with_a_standard() -> None:
    # H.4, tables H.8 and H.9, results from memory, not verified: rates 652.60 (6.42) and 206.09 (3.79) per minute,
    # r 0.646; ratio 3.167 (0.045); activity 0.4300 (0.0083) Bq/g. Approach 2: 3.170 (0.046); 0.4304 (0.0084) Bq/g
    sample, standard = rates(SAMPLE), rates(STANDARD)
    inputs = {"r_x": Input.observed(sample), "r_s": Input.observed(standard)}
    together = float(np.corrcoef(sample, standard)[0, 1])
    assert [digits(inputs["r_x"].value, 2), digits(inputs["r_x"].standard, 2)] == ["652.60", "6.42"]
    assert [digits(inputs["r_s"].value, 2), digits(inputs["r_s"].standard, 2)] == ["206.09", "3.79"]
    assert digits(together, 3) == "0.646"
    quotient = combine(lambda r_x, r_s: r_x / r_s, inputs, correlations={("r_x", "r_s"): together})
    assert [digits(quotient.value, 3), digits(quotient.standard, 3)] == ["3.167", "0.045"]
    masses = {"a_s": Input(0.1368, 0.0018), "m_s": Input(5.0192, 0.0050), "m_x": Input(5.0571, 0.0010)}
    activity = combine(lambda a_s, m_s, m_x, ratio: a_s * m_s / m_x * ratio, {**masses, "ratio": quotient}, unit="Bq/g")
    assert [digits(activity.value, 4), digits(activity.standard, 4)] == ["0.4299", "0.0083"]  # 0.42995: printed 0.4300
    second = Input.observed([x / s for x, s in zip(sample, standard, strict=True)])
    assert [digits(second.value, 3), digits(second.standard, 3)] == ["3.170", "0.046"]
    activity = combine(lambda a_s, m_s, m_x, ratio: a_s * m_s / m_x * ratio, {**masses, "ratio": second}, unit="Bq/g")
    assert [digits(activity.value, 4), digits(activity.standard, 4)] == ["0.4304", "0.0084"]
    apart = combine(lambda r_x, r_s: r_x / r_s, inputs)
    assert apart.standard == pytest.approx(0.06606938, rel=1e-6)  # without the correlation it would be much more
