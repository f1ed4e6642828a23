from __future__ import annotations

import numpy as np
import pytest

from wavewright.analysis.noise import noise_code


@pytest.mark.parametrize("sigma", [0.5, 2.0, 20.0])
def test_white_noise_on_a_slow_signal_is_found(sigma: float) -> None:
    # math: the second difference of white noise has the variance 6σ²; its median over 16 000 values is known to 2 %
    random = np.random.default_rng(11)
    slow = 100 * np.sin(2 * np.pi * np.arange(200_000) / 10_000)
    assert noise_code(slow + random.normal(0, sigma, 200_000)) == pytest.approx(sigma, rel=0.05)


def test_transitions_do_not_count_as_noise() -> None:
    random = np.random.default_rng(12)
    square = 100.0 * (np.arange(100_000) % 100 < 50)
    assert noise_code(square + random.normal(0, 1.0, 100_000)) == pytest.approx(1.0, rel=0.1)


@pytest.mark.parametrize("codes", [[], [1], [1, 2], [5, 5, 5, 5]])
def test_too_few_samples_or_none_that_differ_have_no_noise(codes: list[int]) -> None:
    assert noise_code(np.array(codes, dtype=np.int8)) == 0.0
