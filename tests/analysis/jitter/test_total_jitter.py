"""Total jitter against the normal distribution, and against the model's own distributions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from tests.analysis.lines_with_edges import line_with_edges
from wavewright.analysis.jitter.total_jitter import JitterParts, gaussian_span, jitter_parts
from wavewright.analysis.measure import measure
from wavewright.errors import Misuse
from wavewright.waveform import Floats, Waveform

SPANS = [
    (1e-3, 6.1805),
    (1e-6, 9.5068),
    (1e-9, 11.9956),
    (1e-10, 12.7227),
    (1e-11, 13.4120),
    (1e-12, 14.0690),
    (1e-13, 14.6976),
    (1e-14, 15.3013),
    (1e-15, 15.8827),
    (1e-16, 16.4442),
]


@pytest.mark.parametrize("error_ratio, span", SPANS)
def test_span_of_gaussian_jitter(error_ratio: float, span: float) -> None:
    # math: twice the abscissa of the normal tail; one tail a side: common practice, no source
    assert gaussian_span(error_ratio) == pytest.approx(span, abs=1e-4)
    assert 0.5 * math.erfc(gaussian_span(error_ratio) / 2 / math.sqrt(2)) == pytest.approx(error_ratio, rel=1e-9)


def test_total_jitter_of_the_two_part_model() -> None:
    # common practice, no source: 20 ps + 14.069 · 2 ps
    assert JitterParts(20e-12, 2e-12).total(1e-12) == pytest.approx(48.138e-12, abs=1e-15)


def quantiles(*centres: float, count: int = 40_000) -> Floats:
    """Values whose distribution is that of the model, without chance: normal ones around each of some centres."""
    places = (np.arange(1, count // len(centres) + 1) - 0.5) / (count // len(centres))
    return np.concatenate([centre + norm.ppf(places) for centre in centres])


@pytest.mark.parametrize("apart", [4.0, 10.0, 40.0])
def test_the_model_is_found_in_its_own_distribution(apart: float) -> None:
    # math: far out only one of the two edges counts; 4 standard deviations apart the other still has a share of 2 %
    parts = jitter_parts(quantiles(-apart / 2, apart / 2))
    assert parts.random == pytest.approx(1.0, rel=0.01)
    assert parts.deterministic == pytest.approx(apart, abs=0.03)


def test_of_purely_random_jitter_it_finds_too_little_and_its_uncertainty_says_so() -> None:
    # math: the definition says 6 % too little; without a deterministic part the model is exact
    assert jitter_parts(quantiles(0.0)).total(1e-12) == pytest.approx(0.94 * 14.069, rel=0.01)
    plain = jitter_parts(quantiles(0.0), share=1.0)
    assert (plain.deterministic, plain.random) == pytest.approx((0.0, 1.0), abs=1e-3)
    reading = measure(clock(0.05e-9 * np.random.default_rng(5).standard_normal(4000)), "total_jitter")
    assert reading.value < 14.069 * 0.05e-9 < reading.value + 3 * reading.uncertainty


def clock(jitter: Floats) -> Waveform:
    """A clock of 10 MHz, every rising edge late by its jitter, s."""
    rising = 30e-9 + 100e-9 * np.arange(jitter.size) + jitter
    instants = np.stack([rising, rising + 50e-9], axis=1).ravel()
    return line_with_edges(instants, interval=5e-9, ramp=20e-9, end=instants[-1] + 40e-9)


def two_edges(seed: int, count: int = 4000) -> Floats:
    """2 ns apart in no order, with 0.1 ns of random jitter."""
    chance = np.random.default_rng(seed)
    return 2e-9 * (chance.random(count) < 0.5) + 0.1e-9 * chance.standard_normal(count)


def test_both_parts_of_a_clock() -> None:
    wave = clock(two_edges(1))
    total, random, deterministic = (measure(wave, f"{part}_jitter") for part in ("total", "random", "deterministic"))
    assert random.value == pytest.approx(0.1e-9, rel=0.05)
    assert deterministic.value == pytest.approx(2e-9, rel=0.02)
    assert total.value == pytest.approx(deterministic.value + 14.0690 * random.value, rel=1e-5)
    assert total.count == 4000
    more = measure(wave, "total_jitter", error_ratio=1e-3)
    assert more.value == pytest.approx(deterministic.value + 6.1805 * random.value, rel=1e-5)


def test_the_uncertainty_covers_what_comes_out_again_and_again() -> None:
    readings = [measure(clock(two_edges(seed)), "total_jitter") for seed in range(12)]
    scatter = np.std([reading.value for reading in readings], ddof=1)
    stated = np.mean([reading.uncertainty for reading in readings])
    # 12 runs show a scatter to 20 %; how well each edge is known, and the model, are part of what is stated
    assert 0.7 * scatter < stated < 6 * scatter


def test_scales_with_time_and_knows_no_place() -> None:
    plain = clock(two_edges(2))
    moved = Waveform(plain.codes, gain=3.0, offset=1.0, interval=plain.interval * 1000, start=5.0)
    for metric in ("total_jitter", "random_jitter", "deterministic_jitter"):
        assert measure(moved, metric).value == pytest.approx(1000 * measure(plain, metric).value, rel=1e-6)


def test_too_few_edges_and_nonsense_are_refused() -> None:
    assert "at least 200" in measure(clock(np.zeros(150)), "total_jitter").reason
    with pytest.raises(Misuse, match=r"between 0 and 0\.5"):
        gaussian_span(0.7)
    with pytest.raises(Misuse, match="error_ratio"):
        measure(clock(np.zeros(300)), "total_jitter", error_ratio=0.5)
