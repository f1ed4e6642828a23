"""Samples so large or so small that their squares leave float64: a number that is right, or a reason, never neither."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.analysis.test_laws_of_every_metric import NAMES, PLAIN, RECKONED_FROM_ZERO, options, records, vertical
from wavewright.analysis.catalogue import metrics
from wavewright.analysis.measure import measure
from wavewright.errors import Misuse
from wavewright.waveform import Waveform


@pytest.mark.parametrize("scale", [1e160, 1e-160])
@pytest.mark.parametrize("name", NAMES)
def test_extreme_magnitudes_give_the_scaled_value_or_a_reason(name: str, scale: float) -> None:
    waves = [
        Waveform.from_volts(scale * wave.values(), interval=wave.interval, start=wave.start, unit=wave.unit)
        for wave in records(name)
    ]
    many = metrics()[name].channels[1] > 1
    reading = measure(waves if many else waves[0], name, **options(name, gain=scale))
    plain = PLAIN[name].value
    if reading.value is None:
        assert "beyond what float64 holds" in reading.reason
        return
    if name.startswith("level_db"):
        assert reading.value == pytest.approx(plain + 20 * math.log10(scale), abs=1e-6)
    else:
        expected = vertical(metrics()[name], scale) * plain
        assert reading.value == pytest.approx(expected, rel=2e-4, abs=1e-12 * abs(expected)), name


@pytest.mark.parametrize("name", ["rms", "crest_factor", "band_rms", "noise_density", "thd", "correlation"])
@pytest.mark.parametrize("scale", [1e160, 1e-160])
def test_what_squares_such_samples_says_that_it_cannot(name: str, scale: float) -> None:
    waves = [Waveform.from_volts(scale * wave.values(), interval=wave.interval, name="x") for wave in records(name)]
    reading = measure(waves if len(waves) > 1 else waves[0], name)
    assert reading.value is None or (
        name in RECKONED_FROM_ZERO
        and reading.value == pytest.approx(vertical(metrics()[name], scale) * PLAIN[name].value, rel=1e-3)
    )


def test_codes_that_a_float_does_not_hold_are_refused() -> None:
    codes = np.array([2**63, 2**63 + 810], dtype=np.uint64)
    with pytest.raises(Misuse, match="codes from 9223372036854775808 to 9223372036854776618"):
        Waveform(codes, interval=1e-6)
    taken = Waveform(codes - codes.min(), offset=0.0, interval=1e-6)
    assert measure(taken, "peak_to_peak").value == 810.0
    assert measure(Waveform(np.array([-(2**53), 2**53]), interval=1e-6), "maximum").value == 2.0**53
