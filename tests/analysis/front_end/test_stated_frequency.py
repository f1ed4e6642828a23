"""A frequency that is stated and that the signal does not have, or the record cannot show, and what that makes wrong.

What a sine loses that is held d cycles off over the record is math: sin(πd)/(πd) of it is left.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.doubts import Doubt
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.waveform import Waveform

SIZE, INTERVAL = 10_000, 1e-6  # 10 ms: a line each 100 Hz
TONE = 12_330.0


def wave(*tones: tuple[float, float], noise: float = 5e-4, unit: str = "V", lag: float = 0.0) -> Waveform:
    turns = 2 * np.pi * INTERVAL * np.arange(SIZE)
    volts = sum((height * np.sin(hertz * turns - lag) for hertz, height in tones), np.zeros(SIZE))
    volts = volts + np.random.default_rng(4).normal(0, noise, SIZE)
    return Waveform.from_volts(volts, interval=INTERVAL, unit=unit)


DISTORTED = wave((TONE, 1.0), (2 * TONE, 0.04), (3 * TONE, 0.03))
OPTIONS = [
    *((name, "fundamental") for name in ("thd", "snr", "sfdr", "harmonic_level")),
    *((name, "frequency") for name in ("sine_amplitude", "sine_phase", "sine_residual", "sinad", "ripple")),
]


def is_doubted(reading: Reading) -> bool:
    return Doubt.OFF_FREQUENCY in reading.doubts


@pytest.mark.parametrize("metric, option", OPTIONS)
def test_a_nominal_frequency_beside_the_signal_s_is_doubted(metric: str, option: str) -> None:
    for stated in (TONE - 330, TONE - 80, TONE + 20, TONE + 150):
        reading = measure(DISTORTED, metric, **{option: stated})
        assert is_doubted(reading), (stated, reading)
    assert not is_doubted(measure(DISTORTED, metric, **{option: TONE}))
    assert not is_doubted(measure(DISTORTED, metric, **{option: TONE + 3}))  # a thirtieth of a cycle over the record
    assert not is_doubted(measure(DISTORTED, metric))


def test_what_would_pass_by_it_is_far_from_the_truth() -> None:
    # math: harmonics of 3 % and 4 % make 5 %, a sine of 1 V has 2 V peak to peak, and 5 cycles of slip leave nothing
    assert measure(DISTORTED, "thd").value == pytest.approx(0.05, rel=1e-3)
    assert measure(DISTORTED, "thd", fundamental="12 kHz").value == pytest.approx(0, abs=0.01)
    assert measure(DISTORTED, "ripple").value == pytest.approx(2, rel=0.05)
    assert measure(DISTORTED, "ripple", frequency="11.83 kHz").value == pytest.approx(0, abs=0.05)
    for d in (0.2, 0.5, 0.8):
        held = measure(wave((TONE, 1.0)), "sine_amplitude", frequency=TONE + 100 * d)
        assert held.value == pytest.approx(math.sin(math.pi * d) / (math.pi * d), abs=0.01)
        assert is_doubted(held)


def test_the_finding_says_both_frequencies_and_always_decides() -> None:
    reading = measure(DISTORTED, "thd", fundamental="12 kHz")
    (finding,) = (one for one in reading.findings if one.doubt is Doubt.OFF_FREQUENCY)
    assert finding.text == "`fundamental` is 12.00 kHz, and the tone of the record is at 12.33 kHz"
    assert finding.decides


def test_a_fundamental_far_off_is_doubted_by_the_tone_that_is_there() -> None:
    for stated in (9_000.0, 11_000.0, 16_000.0):
        for metric, option in (("thd", "fundamental"), ("sfdr", "fundamental"), ("ripple", "frequency")):
            assert is_doubted(measure(DISTORTED, metric, **{option: stated})), (metric, stated)


def test_how_weak_a_line_is_may_be_asked_where_nothing_is() -> None:
    # a search for hum: that nothing is there is what should be found
    for stated in (5_000.0, 11_000.0, 20_000.0):
        assert not is_doubted(measure(DISTORTED, "sine_amplitude", frequency=stated))


def test_a_weak_line_with_a_strong_one_elsewhere_is_sound() -> None:
    both = wave((TONE, 1.0), (5_000.0, 0.01))
    assert not is_doubted(measure(both, "sine_amplitude", frequency="5 kHz"))
    assert not is_doubted(measure(both, "thd", fundamental="5 kHz"))
    assert is_doubted(measure(both, "sine_amplitude", frequency="5.03 kHz"))


@pytest.mark.parametrize("harmonics, is_off", [(3, False), (40, True)])
def test_many_harmonics_need_a_better_frequency(harmonics: int, is_off: bool) -> None:
    # math: 6 Hz off is 0.06 lines at the fundamental, and 2.4 lines at harmonic 40
    slow = wave((1_000.0, 1.0), (2_000.0, 0.04))
    assert is_doubted(measure(slow, "thd", fundamental="1006 Hz", harmonics=harmonics)) is is_off


def test_few_cycles_and_noise_alone_are_left_to_other_doubts() -> None:
    few = wave((250.0, 1.0))
    assert not is_doubted(measure(few, "sine_amplitude", frequency="240 Hz"))
    noise = wave(noise=0.1)
    assert not is_doubted(measure(noise, "ripple", frequency="12 kHz"))
    assert not is_doubted(measure(noise, "thd", fundamental="12 kHz"))


@pytest.mark.parametrize("metric", ["phase", "gain", "phase_delay"])
def test_two_channels_are_looked_at_by_the_first(metric: str) -> None:
    pair = [wave((TONE, 1.0)), wave((TONE, 0.5), lag=0.3)]
    assert is_doubted(measure(pair, metric, frequency="12 kHz"))
    assert not is_doubted(measure(pair, metric, frequency="12.33 kHz"))


@pytest.mark.parametrize(
    "metric", ["band_rms", "band_power", "level_dbv", "level_dbu", "level_dbm", "noise_density", "strongest_tone"]
)
def test_a_band_beyond_half_the_rate_is_doubted(metric: str) -> None:
    record = wave((TONE, 1.0))  # 1 MHz: half the rate is 500 kHz
    beyond = measure(record, metric, lowest="1 kHz", highest="2 MHz")
    assert Doubt.UNDERSAMPLED in beyond.doubts
    (finding,) = beyond.findings
    assert finding.text == "`highest` is 2 MHz, and half the rate is 500 kHz"
    for highest in ("500 kHz", "100 kHz"):
        assert not measure(record, metric, lowest="1 kHz", highest=highest).doubts


def test_what_is_beyond_the_band_of_a_record_can_only_add_to_a_level() -> None:
    record = wave((TONE, 1.0))
    (sums,) = measure(record, "band_rms", highest="2 MHz").findings
    assert (sums.below, sums.above, sums.decides) == (0, math.inf, False)
    (mean,) = measure(record, "noise_density", highest="2 MHz").findings
    assert mean.decides
    assert not measure(record, "ripple", highest="2 MHz").doubts  # it has found its tone


@pytest.mark.parametrize("metric", ["band_rms", "band_power", "level_dbv", "noise_density"])
def test_a_level_from_below_one_period_in_the_record_is_doubted(metric: str) -> None:
    record = wave((TONE, 1.0))  # 10 ms: one period of 100 Hz
    (finding,) = measure(record, metric, lowest="10 Hz", highest="20 kHz").findings
    assert finding.doubt is Doubt.FEW_CYCLES
    assert finding.text == "`lowest` is 10 Hz, and a record of 10 ms has no period of it"
    assert finding.decides is (metric == "noise_density")
    assert not measure(record, metric, lowest="100 Hz", highest="20 kHz").doubts
    assert not measure(record, metric, lowest="0 Hz", highest="20 kHz").doubts
    assert not measure(record, "strongest_tone", lowest="10 Hz").doubts
