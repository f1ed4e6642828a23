from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.errors import Misuse
from wavewright.waveform import Waveform

TAU = 1e-3
STATES = {"low_state": 0.0, "high_state": 5.0}


def single_pole(interval: float = 1e-6) -> Waveform:
    """5 V through a single pole of 1 ms, from −1 to 12 ms."""
    times = np.arange(round(-1e-3 / interval), round(12e-3 / interval)) * interval
    return Waveform.from_volts(5 * (1 - np.exp(-np.maximum(times, 0) / TAU)), interval=interval, start=-1e-3)


@pytest.mark.parametrize(
    "low, high, factor",
    [("10 %", "90 %", math.log(9)), ("20 %", "80 %", math.log(4)), ("30 %", "70 %", math.log(7 / 3))],
    ids=["10-90", "20-80", "30-70"],
)
def test_rise_time_of_a_single_pole(low: str, high: str, factor: float) -> None:
    # math: ln((1 − low)/(1 − high)) time constants; each crossing is off by at most (interval/τ)²/8 τ
    reading = measure(single_pole(), "rise_time", low=low, high=high, **STATES)
    assert reading.value == pytest.approx(factor * TAU, rel=1e-6)


def test_rise_time_between_absolute_levels() -> None:
    # math: ln 9 · RC = 21.97224577 ms for 100 kΩ, 100 nF between 0.5 V and 4.5 V
    rc = 100e3 * 100e-9
    times = np.arange(-1000, 12_000) * 1e-5
    wave = Waveform.from_volts(5 * (1 - np.exp(-np.maximum(times, 0) / rc)), interval=1e-5)
    assert measure(wave, "rise_time", low="0.5 V", high="4.5 V").value == pytest.approx(21.97224577e-3, rel=1e-6)


def test_mean_slope_of_a_single_pole() -> None:
    # math: 0.8/ln 9 · A/τ
    reading = measure(single_pole(), "slew_rate", **STATES)
    assert reading.value == pytest.approx(0.364095691 * 5 / TAU, rel=1e-6)
    assert reading.unit == "V/s"


@pytest.mark.parametrize(
    "name, options, expected",
    [
        ("rise_time", {}, 80e-9),
        ("rise_time", {"low": "20 %", "high": "80 %"}, 60e-9),
        ("fall_time", {}, 160e-9),
        ("slew_rate", {"slope": "falling"}, 1 / 200e-9),
    ],
)
def test_a_trapezoid(name: str, options: dict[str, str], expected: float) -> None:
    # math: straight lines are interpolated exactly if no corner lies beside a crossing
    times = (np.arange(5000) + 0.37) % 1000
    wave = Waveform.from_volts(np.interp(times, [0, 100, 400, 600, 1000], [0, 1, 1, 0, 0]), interval=1e-9)
    reading = measure(wave, name, **options)
    assert reading.value == pytest.approx(expected, rel=1e-9)
    assert reading.standard_deviation == pytest.approx(0, abs=1e-9 * expected)


@pytest.mark.parametrize("low, high, factor", [("10 %", "90 %", 2.563103131), ("20 %", "80 %", 1.683242467)])
def test_a_gaussian_edge(low: str, high: str, factor: float) -> None:
    # math: 2·z(0.9)·σ with the normal quantile z (scipy.stats.norm.ppf)
    from scipy.special import ndtr

    places = np.arange(-2000, 2001) / 200
    wave = Waveform.from_volts(ndtr(places), interval=1 / 200)
    reading = measure(wave, "rise_time", low=low, high=high, low_state=0.0, high_state=1.0)
    assert reading.value == pytest.approx(factor, rel=1e-5)


def test_transition_of_the_published_example() -> None:
    # math: 50, 60, …, 200 pass 57 and 193 at 400.7 and 414.3 intervals
    codes = [40] * 400 + list(range(50, 201, 10)) + [225] * 4 + [205] * 6 + [210] * 390
    reading = measure(Waveform(np.array(codes, dtype=np.uint8), interval=1.0), "rise_time")
    assert reading.value == pytest.approx(13.6, rel=1e-12)
    assert reading.occurrences is not None
    assert reading.occurrences.times == pytest.approx([407.5])


@pytest.mark.parametrize("seed", range(5))
def test_quantised_and_noisy_edges_are_within_their_uncertainty(seed: int) -> None:
    # math: a single pole; 3 standard uncertainties hold 99.7 % under a normal distribution
    random = np.random.default_rng(seed)
    half = 1 - np.exp(-np.arange(2000) / 200)
    shape = np.tile(np.concatenate([half, 1 - half]), 25) + random.normal(0, 0.002, 100_000)
    codes = np.round(200 * shape - 100).astype(np.int8)
    reading = measure(Waveform(codes, gain=0.02, offset=2.0, interval=1.0), "rise_time", low_state=0.0, high_state=4.0)
    assert reading.count == 25
    assert reading.uncertainty is not None
    assert reading.value == pytest.approx(math.log(9) * 200, abs=3 * reading.uncertainty + 0.002 * 400)


def test_a_runt_is_no_whole_transition() -> None:
    full = np.interp(np.arange(60), [0, 10, 30, 40], [0, 1, 1, 0])
    runt = np.interp(np.arange(60), [0, 10, 20], [0, 0.7, 0])
    reading = measure(Waveform.from_volts(np.concatenate([full, runt, full]), interval=1.0), "rise_time")
    assert reading.count == 2
    assert reading.value == pytest.approx(8.0)


def test_edges_faster_than_the_samples_are_doubted() -> None:
    wave = Waveform.from_volts(np.repeat([0.0, 1.0, 0.0, 1.0], 20), interval=1.0)
    assert Doubt.FEW_SAMPLES in measure(wave, "rise_time").doubts
    assert Doubt.FEW_SAMPLES not in measure(single_pole(), "rise_time", **STATES).doubts


def test_levels_the_wrong_way_round_are_refused() -> None:
    with pytest.raises(Misuse, match="`low` 80 % is not below `high` 20 %"):
        measure(single_pole(), "rise_time", low="80 %", high="20 %")


def test_a_record_that_begins_in_the_transition_gives_a_reason() -> None:
    wave = Waveform.from_volts(np.concatenate([np.linspace(0.3, 1, 50), np.ones(50)]), interval=1.0, name="reset")
    reading = measure(wave, "rise_time", low_state=0.0, high_state=1.0)
    assert reading.value is None
    assert reading.reason.startswith("`reset`: no whole rising transition between 0.1 and 0.9 V")


def rise_of(volts: np.ndarray, interval: float) -> float:
    wave = Waveform.from_volts(volts, interval=interval)
    return measure(wave, "rise_time", low_state=0.0, high_state=1.0).value


@pytest.mark.parametrize("poles, product", [(1, 0.349699), (2, 0.343955), (3, 0.342436), (4, 0.341716), (5, 0.341292)])
def test_rise_time_times_bandwidth_of_equal_poles(poles: int, product: float) -> None:
    # math: the step response of n equal poles is the incomplete gamma function, −3 dB at √(2^(1/n) − 1)/(2π·τ)
    from scipy.special import gammainc

    times = np.arange(-1000, 60_000) * 5e-4
    bandwidth = math.sqrt(2 ** (1 / poles) - 1) / (2 * math.pi)
    assert rise_of(gammainc(poles, np.maximum(times, 0)), 5e-4) * bandwidth == pytest.approx(product, abs=1e-6)


@pytest.mark.parametrize("ratio, error", [(1, -0.07462), (2, -0.05137), (3, -0.03129), (5, -0.01405), (10, -0.00307)])
def test_quadrature_underestimates_two_single_poles(ratio: float, error: float) -> None:
    # math: step response of two poles 1 : r; √(t1² + t2²) against its true 10–90 % time, to 0.001 percentage points
    times = np.arange(-1000, 200_000) * 5e-4
    t = np.maximum(times, 0)
    apart = ratio - 1
    step = 1 - (ratio * np.exp(-t / ratio) - np.exp(-t)) / apart if apart else 1 - (1 + t) * np.exp(-t)
    quadrature = math.log(9) * math.hypot(1, ratio)
    assert quadrature / rise_of(step, 5e-4) - 1 == pytest.approx(error, abs=1e-5)


def test_two_gaussian_edges_in_cascade_add_in_quadrature() -> None:
    # math: 3 ns and 4 ns make 5 ns, exactly, since variances add
    from scipy.special import ndtr

    sigma = 5e-9 / 2.563103131
    times = np.arange(-4000, 4001) * 5e-12
    edge = np.convolve(
        ndtr(times / (0.6 * sigma)), np.exp(-0.5 * (times[2000:6001] / (0.8 * sigma)) ** 2), mode="valid"
    )
    assert rise_of(edge / edge[-1], 5e-12) == pytest.approx(5e-9, rel=1e-4)


def test_the_uncertainty_of_a_slew_rate_has_its_unit() -> None:
    # law: the same record in volts of another size has a slew rate and an uncertainty of that size
    times = np.arange(1000)
    curved = np.where(times < 200, 0, 20_000 * (1 - np.exp(-np.maximum(times - 200, 0) / 60)))  # of a single pole
    noise = np.random.default_rng(3).normal(0, 300, times.size)  # makes the levels uncertain
    codes = np.rint(curved + noise).astype(np.int16)
    small, large = (
        measure(Waveform(codes, gain=gain, interval=1.0, name="edge"), "slew_rate") for gain in (1e-5, 10.0)
    )
    assert small.value < 0.01
    assert large.value > 100
    assert large.value == pytest.approx(1e6 * small.value, rel=1e-9)
    assert large.uncertainty == pytest.approx(1e6 * small.uncertainty, rel=1e-9)


def test_the_uncertainty_of_a_slew_rate_is_its_scatter_where_the_state_levels_are_what_is_uncertain() -> None:
    # math: 30 edges share their state levels, and on the tail of an exponential an error of a level moves the duration
    tail = np.exp(-np.arange(1000) / 60)
    clean = np.concatenate([np.zeros(1000), *[1 - tail, tail] * 30])
    readings = [
        measure(
            Waveform.from_volts(clean + np.random.default_rng(seed).normal(0, 3e-3, clean.size), interval=1e-6),
            "slew_rate",
        )
        for seed in range(60)
    ]
    scatter = np.std([reading.value for reading in readings])
    # 60 runs tell a scatter to 9 %
    assert np.mean([reading.uncertainty for reading in readings]) == pytest.approx(scatter, rel=0.25)
