"""A level within the noise of a state: what crosses it there is noise, and nothing that is read of it may pass.

The truth is what the waveform was made of: four pulses of 100 us, 200 us from one to the next.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from wavewright.analysis.doubts import Doubt
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.waveform import Waveform

SIZE, INTERVAL = 80_000, 1e-8
LOW, HIGH, NOISE = 0.0, 3.3, 20e-3
DRAWS = 200


def wave(noise: float = NOISE, *, seed: int = 204) -> Waveform:
    place = np.arange(SIZE)
    volts = np.where((place + 5000) % 20_000 < 10_000, HIGH, LOW)
    return Waveform.from_volts(volts + np.random.default_rng(seed).normal(0, noise, SIZE), interval=INTERVAL)


def is_doubted(reading: Reading) -> bool:
    return any(one.doubt is Doubt.LEVEL_IN_NOISE and one.bears for one in reading.findings)


@pytest.mark.parametrize("level", ["10 mV", "-10 mV", "40 mV", "3.29 V", "3.32 V", "0.5 %", "99 %"])
@pytest.mark.parametrize(
    "metric", ["positive_pulse_width", "frequency", "rising_edges", "shortest_pulse", "duty_factor"]
)
def test_a_level_in_the_noise_of_a_state_is_doubted(metric: str, level: str) -> None:
    assert is_doubted(measure(wave(), metric, level=level))


@pytest.mark.parametrize(
    "metric, options, is_in_noise",
    [
        ("delay", {"level": "10 mV"}, True),
        ("delay", {"level": "1.65 V", "second_level": "10 mV"}, True),
        ("delay", {"level": "1.65 V", "second_level": "1 V"}, False),
        ("skew", {"level": "3.29 V"}, True),
        ("skew", {"level": "1.65 V"}, False),
        ("setup_time", {"clock_level": "10 mV"}, True),
        ("setup_time", {"data_level": "10 mV"}, True),
    ],
)
def test_a_level_in_the_noise_of_either_waveform_is_doubted(
    metric: str, options: dict[str, str], is_in_noise: bool
) -> None:
    """A delay of 10 us read 62 ps at 10 mV."""
    first, second = wave(), wave(seed=13)
    later = replace(second, codes=np.roll(second.codes, 1000))
    assert is_doubted(measure([first, later], metric, **options)) is is_in_noise


@pytest.mark.parametrize("level", ["0.3 V", "1.65 V", "3 V", "10 %", "50 %", "90 %"])
def test_a_level_between_the_states_is_not(level: str) -> None:
    reading = measure(wave(), "positive_pulse_width", level=level)
    assert reading.value == pytest.approx(100e-6, rel=1e-3)
    assert not reading.doubts
    assert not is_doubted(measure(wave(), "positive_pulse_width"))


@pytest.mark.parametrize("noise", [0.1, 0.3])
def test_the_middle_of_a_noisy_signal_is_not_in_the_noise_of_a_state(noise: float) -> None:
    assert not is_doubted(measure(wave(noise), "positive_pulse_width"))


def test_the_text_says_level_state_and_noise() -> None:
    (found,) = measure(wave(), "rising_edges", level="10 mV").findings
    assert re.fullmatch(
        r"`level` is 10 mV, and the low state -?\d+ mV with noise of (19|20|21)(\.\d+)? mV rms", found.text
    )


def test_a_count_that_noise_has_made_is_always_doubted() -> None:
    """Tried with levels and noise at random: whatever is not the truth says so; a quarter at least is the truth."""
    chance = np.random.default_rng(13)
    right = 0
    for seed in range(DRAWS):
        noise = 10 ** chance.uniform(-3, -1)
        level = chance.uniform(-1.5, 12) * noise
        reading = measure(wave(noise, seed=seed), "rising_edges", level=float(level if seed % 2 else HIGH - level))
        is_right = reading.value == 4
        right += is_right
        assert is_right or is_doubted(reading), (noise, level, reading)
    assert DRAWS / 4 < right < DRAWS
