"""Risks over a lot, against the examples of JCGM 106:2012, 9.5, and a table of the test uncertainty ratio."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from wavewright.logbook.studies.global_risk import (
    Risks,
    conformance_in_lot,
    global_risks,
    narrowed,
    normal_lot,
    width_for_risk,
)
from wavewright.quantities import Interval


def risks(mean: float, spread: float, standard: float, limit: Interval, width: float = 0.0) -> Risks:
    density, over = normal_lot(mean, spread, limit.unit)
    accepted = narrowed(limit, width)
    assert accepted is not None
    return global_risks(density, standard, limit=limit, accepted=accepted, tolerated=accepted, over=over)


RESISTORS = Interval(1499.8, 1500.2, "ohm")


def test_resistors_of_the_worked_example() -> None:
    # JCGM 106, 9.5: N(1500, 0.12²) ohm, u 0.04, w 0.02. Inputs seen in a public script of the example; "about 90 %
    # conform", R_C 1 %, R_P 7 % from memory; the digits recomputed with SciPy
    found = risks(1500, 0.12, 0.04, RESISTORS, 0.02)
    assert found.conforming == pytest.approx(0.90441930, abs=1e-8)
    assert found.consumer == pytest.approx(0.00987829, abs=1e-8)
    assert found.producer == pytest.approx(0.06902651, abs=1e-8)
    assert found.accepted == pytest.approx(0.84527108, abs=1e-8)
    assert (f"{found.consumer:.0%}", f"{found.producer:.0%}") == ("1%", "7%")


@pytest.mark.parametrize(
    "width, consumer, producer",
    [
        (-0.04, 0.04489817, 0.00709703),
        (-0.02, 0.03114455, 0.01755417),
        (0.0, 0.01894221, 0.03720780),
        (0.04, 0.00433407, 0.11465658),
        (0.08, 0.00046863, 0.24766964),
    ],
)
def test_resistors_with_other_guard_bands(width: float, consumer: float, producer: float) -> None:
    # the same lot, recomputed with SciPy's integrals
    found = risks(1500, 0.12, 0.04, RESISTORS, width)
    assert (found.consumer, found.producer) == pytest.approx((consumer, producer), abs=1e-8)


def test_one_resistor_with_what_is_known_of_the_lot() -> None:
    # closed form: read 1500.21 with that lot in mind; without it the probability is 0.40129367
    probability, estimate, known = conformance_in_lot(1500.21, 0.04, limit=RESISTORS, mean=1500, spread=0.12)
    assert probability == pytest.approx(0.61404424, abs=1e-8)
    assert (estimate, known) == pytest.approx((1500.189, 0.03794733), abs=1e-8)


def test_ball_bearings_of_the_worked_example() -> None:
    # JCGM 106, 9.5.4: gamma(4, rate 4 per µm), upper limit 2 µm, u 0.25 µm: printed 4.2 %, R_C 0.8 %, and A 1.67 µm
    # for R_C 0.1 %; seen in the tests of a public package, the producer's risks recomputed with SciPy
    lot, limit, over = stats.gamma(4, scale=0.25), Interval(-math.inf, 2.0, "m"), Interval(0.0, 15.0, "m")

    def density(value: float) -> float:
        return float(lot.pdf(value))

    found = global_risks(density, 0.25, limit=limit, accepted=limit, tolerated=limit, over=over)
    assert 1 - found.conforming == pytest.approx(0.04238011, abs=1e-8)
    assert (found.consumer, found.producer) == pytest.approx((0.00801911, 0.01744457), abs=1e-8)
    width = width_for_risk(density, 0.25, limit=limit, over=over, consumer=0.001)
    assert width == pytest.approx(0.32817123, abs=1e-7)
    accepted = narrowed(limit, width or 0.0)
    assert f"{2.0 - (width or 0.0):.2f}" == "1.67"
    found = global_risks(density, 0.25, limit=limit, accepted=accepted, tolerated=accepted or limit, over=over)
    assert (found.consumer, found.producer) == pytest.approx((0.001, 0.07549388), abs=1e-7)


# Limits ± 1, lot N(0, σ) with a share q within them, U = 2u = 1/ratio, no guard band: PFA / PFR in per cent, recomputed
# with SciPy. "4:1 with 95 %: about 0.8 % and 1.5 %" is what the trade says of the middle of the table.
RATIOS = (1, 1.5, 2, 3, 4, 5, 10)
ACCEPTED = {
    0.80: (5.4193, 4.2379, 3.4580, 2.5133, 1.9690, 1.6170, 0.8519),
    0.85: (4.4473, 3.5631, 2.9522, 2.1840, 1.7277, 1.4276, 0.7617),
    0.90: (3.2509, 2.6802, 2.2638, 1.7142, 1.3741, 1.1450, 0.6220),
    0.95: (1.8012, 1.5412, 1.3373, 1.0485, 0.8583, 0.7251, 0.4060),
    0.99: (0.4064, 0.3661, 0.3312, 0.2757, 0.2348, 0.2039, 0.1219),
}
REJECTED = {
    0.80: (13.4765, 8.0967, 5.6877, 3.5236, 2.5412, 1.9844, 0.9442),
    0.85: (13.7135, 7.9970, 5.5103, 3.3411, 2.3826, 1.8478, 0.8672),
    0.90: (13.6452, 7.6022, 5.0834, 2.9807, 2.0888, 1.6030, 0.7367),
    0.95: (12.9572, 6.6245, 4.1775, 2.2936, 1.5537, 1.1684, 0.5162),
    0.99: (10.8234, 4.4327, 2.3650, 1.0694, 0.6560, 0.4656, 0.1846),
}


@pytest.mark.parametrize("share", ACCEPTED)
def test_false_accept_and_false_reject_by_ratio(share: float) -> None:
    spread = 1 / stats.norm.ppf((1 + share) / 2)
    for ratio, *expected in zip(RATIOS, ACCEPTED[share], REJECTED[share], strict=True):
        found = risks(0.0, spread, 1 / (2 * ratio), Interval(-1.0, 1.0, "V"))
        assert [100 * found.consumer, 100 * found.producer] == pytest.approx(expected, abs=6e-5)


def test_drawn_units_have_the_same_risks() -> None:
    rng = np.random.default_rng(106)
    true = rng.normal(1500, 0.12, 2_000_000)
    read = true + rng.normal(0, 0.04, true.size)
    good, passed = np.abs(true - 1500) <= 0.2, np.abs(read - 1500) <= 0.18
    found = risks(1500, 0.12, 0.04, RESISTORS, 0.02)
    # six standard deviations of a share of 0.07 in two million
    assert np.mean(passed & ~good) == pytest.approx(found.consumer, abs=6 * math.sqrt(0.01 / true.size))
    assert np.mean(~passed & good) == pytest.approx(found.producer, abs=6 * math.sqrt(0.07 / true.size))


def test_what_lies_between_two_guard_bands_is_neither_accepted_nor_rejected() -> None:
    density, over = normal_lot(1500, 0.12, "ohm")
    accepted, tolerated = narrowed(RESISTORS, 0.02), narrowed(RESISTORS, -0.02)
    assert tolerated is not None
    found = global_risks(density, 0.04, limit=RESISTORS, accepted=accepted, tolerated=tolerated, over=over)
    assert found.producer == pytest.approx(0.01755417, abs=1e-8)
    assert found.consumer == pytest.approx(0.00987829, abs=1e-8)
    rejected = 1 - found.accepted - found.undecided
    read = stats.norm(1500, math.hypot(0.12, 0.04))
    assert rejected == pytest.approx(2 * read.sf(1500.22), abs=1e-10)


def test_no_guard_band_is_needed_where_the_risk_is_small_already() -> None:
    density, over = normal_lot(1500, 0.01, "ohm")
    assert width_for_risk(density, 0.001, limit=RESISTORS, over=over, consumer=0.001) == 0.0


def test_nothing_accepted_is_no_risk_for_the_consumer() -> None:
    density, over = normal_lot(1500, 0.12, "ohm")
    found = global_risks(density, 0.04, limit=RESISTORS, accepted=None, tolerated=RESISTORS, over=over)
    assert (found.accepted, found.consumer) == (0.0, 0.0)
