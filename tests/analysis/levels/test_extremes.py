from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.waveform import Waveform

NAMES = ["minimum", "maximum", "peak_to_peak"]


@given(st.lists(st.integers(-128, 127), min_size=1, max_size=80), st.sampled_from([0.5, -0.5]))
def test_extremes_are_those_of_the_values(codes: list[int], gain: float) -> None:
    # source: Python's min and max
    found = measure(Waveform(np.array(codes, dtype=np.int8), gain=gain, offset=1.0, interval=1.0), NAMES)
    values = [1.0 + gain * code for code in codes]
    assert found["minimum"].value == min(values)
    assert found["maximum"].value == max(values)
    assert found["peak_to_peak"].value == max(values) - min(values)


@pytest.mark.parametrize("samples, worst", [(4, 0.29289), (5, 0.19098), (10, 0.04894), (20, 0.01231), (50, 0.00197)])
def test_the_peak_of_a_sine_is_missed_by_no_more_than_half_a_step(samples: int, worst: float) -> None:
    # math: 1 − cos(π/r) of the amplitude at r samples per cycle
    missed = []
    for phase in np.linspace(0, 1, 101):
        volts = np.cos(2 * np.pi * (np.arange(5 * samples) + phase) / samples)
        missed.append(1 - measure(Waveform.from_volts(volts, interval=1.0), "maximum").value)
    assert max(missed) == pytest.approx(worst, abs=5e-6 + 1e-4)
    assert min(missed) < 1e-12


@pytest.mark.parametrize(
    "name, expected", [("minimum", -112.0), ("maximum", 250.0), ("peak_to_peak", 362.0), ("mean", -57656 / 1024)]
)
def test_a_heart_signal(name: str, expected: float) -> None:
    # PyWavelets 1.9.0, pywt.data.ecg(): 1024 samples of int32
    pywt = pytest.importorskip("pywt")
    assert measure(Waveform(pywt.data.ecg(), interval=1.0), name).value == expected


def test_one_code_is_known_to_half_a_step() -> None:
    # JCGM 100:2008, 4.3.7: a rectangular distribution of half-width a has the standard uncertainty a/√3
    found = measure(Waveform(np.array([0, 9], dtype=np.int8), gain=0.1, interval=1.0), NAMES)
    assert found["maximum"].uncertainty == pytest.approx(0.05 / math.sqrt(3))
    assert found["peak_to_peak"].uncertainty == pytest.approx(0.05 / math.sqrt(3) * math.sqrt(2))
