"""Windows against the published formulas, SciPy's windows and a searched response."""

from __future__ import annotations

import hashlib
import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
import scipy.signal

from wavewright.analysis.record.blocks import TABLES_BLOCK
from wavewright.analysis.spectrum.spectrum import centred, mean_code
from wavewright.analysis.spectrum.windows import WINDOWS, WindowName
from wavewright.waveform import Waveform

N = 4096
SCIPY_NAMES = {
    "rectangular": "boxcar",
    "hann": "hann",
    "hamming": "hamming",
    "blackman": "blackman",
    "blackman_harris": "blackmanharris",
    "flat_top": "flattop",
}
# Coherent gain, noise bandwidth (bins), scallop loss (dB), highest side lobe (dB), full −3 dB and −6 dB width (bins).
# Source: math, from the cosine terms; computed independently on a 64-fold zero-padded grid. Proc. IEEE 66 (1978) 51-83,
# Table I, prints the same to its two digits (from memory, not verified), but for the Hamming scallop loss.
FIGURES = [
    ("rectangular", 1.0, 1.0, 3.92240, -13.261, 0.8845, 1.2050),
    ("hann", 0.5, 1.5, 1.42362, -31.467, 1.4382, 1.9968),
    ("hamming", 0.54, 1.362826, 1.75143, -42.675, 1.3008, 1.8123),
    ("blackman", 0.42, 1.726757, 1.09888, -58.109, 1.6409, 2.2950),
    ("blackman_harris", 0.35875, 2.004353, 0.82557, -92.010, 1.8962, 2.6620),
    ("flat_top", 0.21557895, 3.770246, 0.00978, -93.026, 3.7210, 4.5781),
]
IDS = [f"S{54 + number}" for number in range(len(FIGURES))]


@pytest.mark.parametrize("name", WINDOWS)
@pytest.mark.parametrize("size", [16, 1000, 2 * TABLES_BLOCK + 7])
def test_weights_are_those_of_scipy(name: str, size: int) -> None:
    # source: scipy.signal.get_window, periodic form
    weights = WINDOWS[name].weights(size)
    assert np.abs(weights - scipy.signal.get_window(SCIPY_NAMES[name], size, fftbins=True)).max() < 1e-14


@pytest.mark.parametrize("name", WINDOWS)
def test_weights_in_float32_lie_below_the_rounding_of_16_bits(name: str) -> None:
    values = np.ones(2 * TABLES_BLOCK + 7, np.float32)
    WINDOWS[name].multiply(values)
    assert np.abs(values - WINDOWS[name].weights(values.size)).max() < 2**-21


@pytest.mark.parametrize("figures", FIGURES, ids=IDS)
def test_gain_bandwidth_and_scallop_loss_are_as_published(
    figures: tuple[str, float, float, float, float, float, float],
) -> None:
    name, gain, bandwidth, scallop_db, *_ = figures
    window, weights = WINDOWS[name], WINDOWS[name].weights(N)
    assert window.coherent_gain == pytest.approx(gain, abs=1e-9)
    assert window.coherent_gain == pytest.approx(weights.mean(), abs=1e-9)
    assert window.noise_bandwidth == pytest.approx(bandwidth, abs=1e-6)
    assert window.noise_bandwidth == pytest.approx(N * (weights**2).sum() / weights.sum() ** 2, rel=1e-9)
    assert -20 * math.log10(window.response(0.5)) == pytest.approx(scallop_db, abs=1e-5)


@pytest.mark.parametrize("figures", FIGURES, ids=IDS)
def test_response_has_the_widths_and_side_lobes_of_the_weights(
    figures: tuple[str, float, float, float, float, float, float],
) -> None:
    name, _, _, _, side_lobe_db, width_3db, width_6db = figures
    window = WINDOWS[name]
    assert 20 * math.log10(window.response(width_3db / 2)) == pytest.approx(-3, abs=1e-3)
    assert 20 * math.log10(window.response(width_6db / 2)) == pytest.approx(-6, abs=1e-3)
    outside = np.arange(len(window.terms), 60, 1 / 256)
    highest = max(abs(window.response(offset)) for offset in outside)
    assert 20 * math.log10(highest) == pytest.approx(side_lobe_db, abs=0.01)


@pytest.mark.parametrize("name", WINDOWS)
def test_response_is_the_transform_of_the_weights(name: str) -> None:
    window, weights = WINDOWS[name], WINDOWS[name].weights(N)
    for offset in (0.3, 1.7, 6.4):
        transform = (weights * np.exp(-2j * np.pi * offset * np.arange(N) / N)).sum() / weights.sum()
        # a window of N samples differs from the limit by the order of (offset/N)²
        assert abs(window.response(offset)) == pytest.approx(abs(transform), abs=1e-5)


@pytest.mark.parametrize("name", WINDOWS)
def test_side_lobe_bounds_the_response_outside_the_main_lobe(name: str) -> None:
    window = WINDOWS[name]
    for offset in np.arange(len(window.terms) + 0.5, 40, 0.25):
        assert abs(window.response(offset)) <= window.side_lobe(offset) * (1 + 1e-9)
        if offset % 1 == 0.5:  # half way between two zeros the sine is 1
            assert abs(window.response(offset)) == pytest.approx(window.side_lobe(offset), rel=1e-6)


@pytest.mark.parametrize("name, lines", [("rectangular", 1.0), ("hann", 35 / 18)])
def test_lines_of_noise_that_are_worth_one(name: str, lines: float) -> None:
    # math: mean of w⁴ over the square of the mean of w²; Hann (35/128)/(3/8)²
    assert WINDOWS[name].lines_in_one == pytest.approx(lines, rel=1e-12)


@pytest.mark.parametrize("name", WINDOWS)
def test_lines_of_noise_that_are_worth_one_by_the_weights(name: str) -> None:
    squares = WINDOWS[name].weights(N) ** 2
    assert WINDOWS[name].lines_in_one == pytest.approx(N * (squares**2).sum() / squares.sum() ** 2, rel=1e-9)


# SHA-256, its first 16 digits, of weighted records as version 0.1 had them: what is recomputed must have the last digit
# of what was recorded. All of it is sums and products of single samples, which are alike on every system.
WEIGHTED = [
    ("int8", "rectangular", "d734fc87bd5f2647"),
    ("int8", "hann", "5a457bd6d82f4f97"),
    ("int8", "hamming", "4ac0ac44ec9be4e7"),
    ("int8", "blackman", "51cc8c86d6a392aa"),
    ("int8", "blackman_harris", "d4e04f4eed43eed1"),
    ("int8", "flat_top", "b7a4920881ee35d2"),
    ("float64", "rectangular", "57407ebde4f23b5a"),
    ("float64", "hann", "a18530fa989535f2"),
    ("float64", "hamming", "c5fdec9f29160178"),
    ("float64", "blackman", "c75423e06a51bb95"),
    ("float64", "blackman_harris", "d5789ae110e16ca2"),
    ("float64", "flat_top", "a0b8164063da7386"),
]


@pytest.mark.parametrize("kind, name, digest", WEIGHTED, ids=[f"{row[0]}-{row[1]}" for row in WEIGHTED])
def test_a_weighted_record_is_the_same_to_the_last_digit_as_ever(kind: str, name: WindowName, digest: str) -> None:
    numbers = np.arange(2 * TABLES_BLOCK + 4465, dtype=np.int64) * 48271 % 65521
    codes = (numbers % 251 - 125).astype(np.int8) if kind == "int8" else numbers / 64 - 300.0
    wave = Waveform(codes, interval=1e-6)
    at_once, _ = centred(wave, WINDOWS[name])
    in_two_steps, _ = centred(wave)
    WINDOWS[name].multiply(in_two_steps)
    for values in (at_once, in_two_steps):
        assert hashlib.sha256(values.tobytes()).hexdigest()[:16] == digest


@pytest.mark.parametrize("kind", [np.int8, np.uint8, np.int16, np.uint16, np.int32, np.uint32])
def test_the_mean_code_of_integers_is_exact(kind: type[np.integer[Any]]) -> None:
    limits = np.iinfo(kind)
    for code in (limits.min, limits.max):
        codes = np.full(TABLES_BLOCK + 3, code, dtype=kind)
        codes[0] = limits.max
        assert mean_code(codes) == float(Fraction(code * (codes.size - 1) + int(limits.max), codes.size))
