"""Rise time of known edges against bandwidth, and how rise times of stages add, by closed forms."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import erf, sici
from scipy.stats import gamma

from wavewright.analysis.measure import measure
from wavewright.waveform import Floats, Waveform


def rise(step: Callable[[Floats], Floats], *, first: float, last: float, interval: float) -> float:
    """10 % to 90 % of a step whose states are 0 and 1, which are declared."""
    time = np.arange(first, last, interval)
    wave = Waveform.from_volts(step(time), interval=interval, start=first)
    value = measure(wave, "rise_time", low_state=0.0, high_state=1.0).value
    assert value is not None
    return value


def poles(count: int) -> Callable[[Floats], Floats]:
    """Step response of equal poles with time constant 1: the distribution function of a gamma variable (math)."""
    return lambda time: gamma.cdf(np.maximum(time, 0), count)


@pytest.mark.parametrize(
    "count, product",
    [(1, 0.349699), (2, 0.343955), (3, 0.342436), (4, 0.341716), (5, 0.341292)],
    ids=lambda n: f"{n}",
)
def test_rise_time_times_bandwidth_of_equal_poles(count: int, product: float) -> None:
    # math: -3 dB of n poles at sqrt(2 ** (1/n) - 1) / (2 pi tau); "0.35 / bandwidth" itself: common practice, no source
    bandwidth = math.sqrt(2 ** (1 / count) - 1) / (2 * math.pi)
    measured = rise(poles(count), first=-1, last=40, interval=1e-3) * bandwidth
    # each crossing is late by at most (h / tau) ** 2 / 8
    assert measured == pytest.approx(product, abs=1e-6)


def test_rise_time_times_bandwidth_of_a_gaussian_edge() -> None:
    # math: sqrt(ln 2) / (2 pi sigma) is the -3 dB frequency of a Gaussian of deviation sigma
    bandwidth = math.sqrt(math.log(2)) / (2 * math.pi)
    measured = rise(lambda t: 0.5 * (1 + erf(t / math.sqrt(2))), first=-8, last=8, interval=1e-3)
    assert measured * bandwidth == pytest.approx(0.339624, abs=1e-6)


def test_rise_time_times_bandwidth_of_a_brick_wall() -> None:
    # math: step 1/2 + Si(2 pi B t) / pi
    measured = rise(lambda t: 0.5 + sici(2 * math.pi * t)[0] / math.pi, first=-0.6, last=0.6, interval=1e-4)
    assert measured == pytest.approx(0.445819, abs=1e-5)


def edge(sigma: float) -> Callable[[Floats], Floats]:
    return lambda time: 0.5 * (1 + erf(time / (sigma * math.sqrt(2))))


def test_gaussian_edges_in_cascade_add_in_quadrature() -> None:
    # math: variances of Gaussians add: 3 ns and 4 ns make 5 ns
    per_sigma = rise(edge(1.0), first=-8, last=8, interval=1e-3)
    sigmas = [3 / per_sigma, 4 / per_sigma]
    together = rise(edge(math.hypot(*sigmas)), first=-16, last=16, interval=1e-3)
    assert together == pytest.approx(5, rel=1e-6)
    assert math.sqrt(together**2 - 3**2) == pytest.approx(4, rel=1e-6)


@pytest.mark.parametrize(
    "ratio, error", [(1, -7.462), (2, -5.137), (3, -3.129), (5, -1.405), (10, -0.307)], ids=lambda n: f"{n}"
)
def test_quadrature_is_off_for_two_single_poles(ratio: int, error: float) -> None:
    # math: two poles 1 : r in cascade against sqrt(t1² + t2²); quadrature itself: common practice, no source
    def both(time: Floats) -> Floats:
        t = np.maximum(time, 0)
        if ratio == 1:
            return 1 - (1 + t) * np.exp(-t)
        return 1 - (ratio * np.exp(-t / ratio) - np.exp(-t)) / (ratio - 1)

    true = rise(both, first=-1, last=25 * ratio, interval=1e-3)
    estimated = math.log(9) * math.hypot(1, ratio)
    assert 100 * (estimated / true - 1) == pytest.approx(error, abs=1e-3)


@pytest.mark.parametrize(
    "slower, error", [(1, 41.421), (2, 11.803), (3, 5.409), (5, 1.980), (10, 0.499)], ids=lambda n: f"{n}"
)
def test_a_front_end_makes_an_edge_look_slower(slower: int, error: float) -> None:
    # math: sqrt(1 + 1/k²) - 1 for Gaussian edge and front end
    itself = rise(edge(slower), first=-8 * slower, last=8 * slower, interval=1e-3)
    seen = rise(edge(math.hypot(slower, 1)), first=-8 * (slower + 1), last=8 * (slower + 1), interval=1e-3)
    assert 100 * (seen / itself - 1) == pytest.approx(error, abs=1e-3)
