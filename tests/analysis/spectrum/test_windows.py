"""Windows against the published formulas, SciPy's windows and a searched response."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal

from wavewright.analysis.record.blocks import TABLES_BLOCK
from wavewright.analysis.spectrum.windows import WINDOWS

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
