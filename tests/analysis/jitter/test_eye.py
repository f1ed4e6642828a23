"""Eyes of lines whose bits, jitter and noise are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.analysis.lines_with_edges import line_with_edges
from wavewright.analysis.jitter.clock_recovery import recover_clock
from wavewright.analysis.jitter.eye import eye_diagram
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats, Waveform

BIT = 52.083e-6  # 19200 Bd
BITS = np.random.default_rng(19200).integers(0, 2, 1200)
CHANGES = np.flatnonzero(np.diff(BITS)) + 1


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def line(jitter: Floats | float = 0.0, *, noise: float = 0.0, bit: float = BIT, step: float = 1e-6) -> Waveform:
    instants = 0.4e-6 + bit * CHANGES + jitter
    wave = line_with_edges(instants, interval=step, ramp=5e-6, end=1200 * bit, starts_high=bool(BITS[0]))
    volts = 3.3 * wave.values() + noise * np.random.default_rng(2).standard_normal(len(wave))
    return Waveform.from_volts(volts, interval=step, name="tx")


JITTER = 1e-6 * np.random.default_rng(3).uniform(-1, 1, CHANGES.size)


def test_clock_is_recovered_from_the_edges_alone() -> None:
    for nominal in (None, 19200.0, 19300.0):  # half a per cent off
        clock = recover_clock(Survey(line()), bit_rate=nominal)
        assert clock.period == pytest.approx(BIT, rel=1e-9)
        assert clock.numbers == pytest.approx(CHANGES - CHANGES[0])
        assert np.abs(clock.deviations).max() < 1e-12
    # source: numpy polyfit through the edges
    clock = recover_clock(Survey(line(JITTER)), bit_rate=19200.0)
    assert clock.period == pytest.approx(np.polyfit(CHANGES, BIT * CHANGES + JITTER, 1)[0], rel=1e-9)
    residual = JITTER - np.polyval(np.polyfit(CHANGES, JITTER, 1), CHANGES)
    assert clock.deviations == pytest.approx(residual, abs=1e-12)
    assert clock.start + clock.period * clock.numbers + clock.deviations == pytest.approx(clock.instants, abs=1e-12)
    assert value(measure(line(JITTER), "bit_rate", nominal="19200 Bd")) == pytest.approx(1 / clock.period)


def test_a_clean_line_has_a_wide_open_eye() -> None:
    # math: one bit wide, the whole swing high
    assert value(measure(line(), "eye_height", bit_rate="19200 Bd")) == pytest.approx(3.3, rel=1e-9)
    assert value(measure(line(), "eye_width", bit_rate="19200 Bd")) == pytest.approx(BIT, rel=1e-6)


def test_jitter_narrows_the_eye_by_what_it_is_peak_to_peak() -> None:
    residual = JITTER - np.polyval(np.polyfit(CHANGES, JITTER, 1), CHANGES)  # source: numpy polyfit
    width = value(measure(line(JITTER), "eye_width", bit_rate="19200 Bd"))
    assert width == pytest.approx(BIT - np.ptp(residual), abs=1e-9)
    three_sigma = value(measure(line(JITTER), "eye_width", bit_rate="19200 Bd", opening="three_sigma"))
    # math: uniform jitter has the standard deviation of its half-width over √3
    assert three_sigma == pytest.approx(BIT - 6 * 1e-6 / np.sqrt(3), rel=0.01)


def test_noise_lowers_the_eye() -> None:
    wave = line(noise=0.1)
    assert value(measure(wave, "eye_height", opening="three_sigma")) == pytest.approx(3.3 - 6 * 0.1, abs=0.01)
    values = wave.values()
    places = ((np.arange(len(wave)) * 1e-6 - 0.4e-6) / BIT) % 1
    central = values[np.abs(places - 0.5) <= 0.2 / 2]
    expected = central[central > 1.65].min() - central[central < 1.65].max()
    assert value(measure(wave, "eye_height", aperture="20 %")) == pytest.approx(expected, abs=0.02)


def test_uncertainties_are_the_scatter_of_repeated_readings() -> None:
    rng = np.random.default_rng(8)
    names = ["eye_height", "eye_width", "bit_rate"]
    readings = []
    for _ in range(60):
        wave = line(1e-6 * rng.standard_normal(CHANGES.size), step=4e-6)
        volts = wave.values() + 0.1 * rng.standard_normal(len(wave))
        noisy = Waveform.from_volts(volts, interval=4e-6)
        readings.append(measure(noisy, names, opening="three_sigma", bit_rate="19200 Bd", nominal="19200 Bd"))
    for name in names:
        scatter = np.std([value(found[name]) for found in readings])
        mean = np.mean([found[name].uncertainty for found in readings])
        # 60 runs tell a scatter to 9 %; the width's has the interpolation of the edges on top
        assert 0.8 < mean / scatter < (8 if name == "eye_width" else 1.3), name


def test_diagram_counts_every_sample_twice_and_is_empty_in_the_opening() -> None:
    wave = line(JITTER, noise=0.05)
    diagram = eye_diagram(Survey(wave), bit_rate=19200.0, times=100, levels=50)
    assert diagram.counts.sum() == 2 * len(wave)
    assert diagram.counts.shape == (50, 100)
    assert (diagram.level_borders.size, diagram.time_borders.size) == (51, 101)
    assert diagram.time_borders[[0, -1]] == pytest.approx([-BIT / 2, 1.5 * BIT], rel=1e-3)
    assert diagram.level_borders[[0, -1]].tolist() == [wave.values().min(), wave.values().max()]
    middle = diagram.counts[20:30]
    assert middle[:, 45:55].sum() == 0  # the opening lies in the middle of the bit
    assert middle[:, 22:28].sum() > 0  # the edges at its beginning
    assert middle[:, 72:78].sum() > 0  # and at its end


@settings(max_examples=25)
@given(gain=st.sampled_from([1e-3, -2.0, 50.0]), offset=st.floats(-10, 10), start=st.floats(-1, 1))
def test_height_scales_and_width_does_not(gain: float, offset: float, start: float) -> None:
    wave = line(JITTER, step=4e-6)
    moved = Waveform(wave.codes, gain=gain, offset=offset, interval=wave.interval, start=start)
    names = ["eye_height", "eye_width", "bit_rate"]
    before, after = measure(wave, names), measure(moved, names)
    assert value(after["eye_height"]) == pytest.approx(abs(gain) * value(before["eye_height"]), rel=1e-6)
    assert value(after["eye_width"]) == pytest.approx(value(before["eye_width"]), rel=1e-6)
    assert value(after["bit_rate"]) == pytest.approx(value(before["bit_rate"]), rel=1e-9)


def test_codes_of_a_converter_are_folded_as_they_are() -> None:
    wave = line(JITTER)
    codes = np.round(wave.values() / 3.3 * 200 - 100).astype(np.int8)
    coarse = Waveform(codes, gain=3.3 / 200, offset=1.65, interval=1e-6)
    assert value(measure(coarse, "eye_height")) == pytest.approx(3.3, rel=1e-9)
    assert value(measure(coarse, "eye_width")) == pytest.approx(value(measure(wave, "eye_width")), abs=0.02e-6)


def test_a_wrong_rate_and_too_few_edges_are_refused() -> None:
    with pytest.raises(NotMeasurable, match="shorter than half a bit"):
        recover_clock(Survey(line()), bit_rate=5000.0)
    assert "at least 4 in all" in measure(Waveform.from_volts([0, 0, 1, 1], interval=1.0), "eye_width").reason
    short = Waveform.from_volts(line().values()[:3000], interval=1e-6)
    assert Doubt.FEW_CYCLES in measure(short, "eye_height").doubts
