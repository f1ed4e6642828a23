"""What stands exactly on a boundary, and uncertainties that nothing else pins down."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.front_end.probe_loading import ProbedNode
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.correlation import covariances
from wavewright.buses.line.bit_rate import rate_scale
from wavewright.errors import Misuse
from wavewright.waveform import Waveform


@pytest.mark.parametrize("span, is_few", [(19, True), (20, False)])
def test_twenty_codes_are_not_few(span: int, is_few: bool) -> None:
    wave = Waveform(np.tile([0, span], 50).astype(np.int8), interval=1e-6)
    assert (Doubt.FEW_CODES in measure(wave, "mean").doubts) == is_few


def burst(pause: int) -> Waveform:
    """Three groups of two pulses of 10 samples, `pause` samples from a group's last edge to the next one's first."""
    group = np.concatenate([np.ones(10), np.zeros(10), np.ones(10)])
    volts = np.concatenate([np.zeros(pause), *[np.concatenate([group, np.zeros(pause)])] * 3])
    return Waveform.from_volts(volts, interval=1.0)


def test_a_pause_of_just_that_length_does_not_part_groups() -> None:
    assert measure(burst(100), "burst_width", pause=99.4).count == 3
    reading = measure(burst(100), "burst_width", pause=100.0)
    assert reading.value is None


def test_a_record_cut_just_at_the_pause_may_go_on_beyond_it() -> None:
    # 100 samples of 0 before the first edge, which lies half a sample after the last of them: at 99.5 samples
    assert measure(burst(100), "burst_width", pause=99.5).count == 1


def test_runts_between_equal_levels_are_refused() -> None:
    wave = Waveform.from_volts(np.tile([0.0, 1.0], 50), interval=1.0)
    with pytest.raises(Misuse, match="is not below"):
        measure(wave, "runts", low="50 %", high="50 %")
    with pytest.raises(Misuse, match="is not below"):
        measure(wave, "runts", low="0.5 V", high="50 %")


def test_a_node_may_be_stiff_and_bare() -> None:
    assert (ProbedNode(0.0, 0.0).resistance, ProbedNode(0.0).capacitance) == (0.0, 0.0)
    for wrong in ((-1.0, 0.0), (0.0, -1e-12), (math.inf, 0.0)):
        with pytest.raises(Misuse):
            ProbedNode(*wrong)


def test_a_record_without_a_line_beside_the_fundamental_has_no_dynamic_range() -> None:
    # four samples per period, 0, 1, 0, −1: every other line of the transform is exactly 0 (math)
    wave = Waveform(np.tile([0, 1, 0, -1], 16).astype(np.int8), interval=1e-6, name="tone")
    reading = measure(wave, "sfdr", window="rectangular")
    assert reading.value is None
    assert "no spectral component besides the fundamental" in reading.reason


def test_the_steepness_of_one_ramp_is_known_as_well_as_its_duration() -> None:
    # v = h/t: relative uncertainties are equal (math); one transition, so no scatter adds to it. An error of the state
    # levels changes height and duration of a straight ramp alike, so that it is in the duration alone
    ramp = np.concatenate([np.zeros(50), np.linspace(0, 100, 41), np.full(50, 100)]).round()
    wave = Waveform(ramp.astype(np.int8), gain=0.01, interval=1e-6)
    slew, rise = measure(wave, "slew_rate"), measure(wave, "rise_time")
    assert slew.uncertainty / slew.value == pytest.approx(rise.uncertainty / rise.value, rel=0.1)
    assert slew.uncertainty / slew.value < rise.uncertainty / rise.value
    assert slew.value == pytest.approx(0.8 / rise.value)


def test_the_uncertainty_of_a_bit_rate_is_that_of_a_line_through_the_origin() -> None:
    # least squares with one unknown: s² = Σ residual² / (n − 1), u² = s² / Σ count² (math)
    counts = np.array([1.0, 2.0, 3.0, 4.0, 6.0, 7.0, 9.0])
    places = counts * 1.01 + np.array([0.02, -0.03, 0.01, 0.02, -0.02, 0.03, -0.01])
    scale = float(places @ counts / (counts @ counts))
    left = places - scale * counts
    expected = math.sqrt(float(left @ left) / (counts.size - 1) / float(counts @ counts))
    assert rate_scale(places) == pytest.approx((scale, expected))


def test_means_and_mean_squares_are_those_of_each_channel() -> None:
    random = np.random.default_rng(4)
    one, other = random.normal(5.0, 1.0, 500), random.normal(-300.0, 7.0, 500)
    waves = [Survey(Waveform.from_volts(values, interval=1.0)) for values in (one, other)]
    sums = covariances(*waves)
    assert sums.means == pytest.approx((one.mean(), other.mean()))
    assert sums.squares == pytest.approx((one.var(), other.var()))
    assert sums.coefficient == pytest.approx(np.corrcoef(one, other)[0, 1])


@pytest.mark.parametrize("edges, expected", [(0, 0), (1, 0), (2, 1), (5, 4)])
def test_value_and_count_of_cycles_agree(edges: int, expected: int) -> None:
    volts = np.concatenate([np.zeros(5), *[np.repeat([1.0, 0.0], 5)] * edges])
    reading = measure(Waveform.from_volts(volts, interval=1.0), "cycles")
    assert (reading.value, reading.count) == (expected, expected)
