"""Against NumPy's and SciPy's functions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from wavewright.analysis.elementary.bessel import bessel_i0
from wavewright.analysis.elementary.turns import cosine_and_sine, sinc, sine

TURNS = np.concatenate([np.linspace(-3, 3, 24001), np.random.default_rng(204).uniform(-1e3, 1e3, 20000)])


def test_cosines_and_sines_are_numpys() -> None:
    cosines, sines = cosine_and_sine(TURNS)
    # the angle itself, 2πx, carries 2**-52 of its size, here reduced to one turn for both
    angles = 2 * np.pi * (TURNS - np.round(TURNS))
    assert np.abs(cosines - np.cos(angles)).max() < 2**-50
    assert np.abs(sines - np.sin(angles)).max() < 2**-50


def test_quarters_of_a_turn_are_exact() -> None:
    cosines, sines = cosine_and_sine(np.arange(-8, 9) / 4)
    assert cosines.tolist() == [1.0, 0.0, -1.0, 0.0] * 4 + [1.0]
    assert sines.tolist() == [0.0, 1.0, 0.0, -1.0] * 4 + [0.0]


def test_one_number_is_as_in_an_array() -> None:
    _, sines = cosine_and_sine(TURNS[:5000])
    assert [sine(float(one)) for one in TURNS[:5000]] == sines.tolist()


def test_the_smallest_numbers_keep_their_size() -> None:
    tiny = np.array([5e-68, -5e-68, 1e-300, -1e-300])
    assert cosine_and_sine(tiny)[1] == pytest.approx(2 * np.pi * tiny, rel=1e-15)
    assert sinc(tiny).tolist() == [1.0] * 4


def test_sinc_is_numpys() -> None:
    x = np.linspace(-70, 70, 30001)
    assert np.abs(sinc(x) - np.sinc(x)).max() < 2**-50
    assert float(sinc(0.0)) == 1.0


def test_i0_is_scipys() -> None:
    x = np.linspace(0, 20, 2001)
    assert bessel_i0(x) == pytest.approx(special.i0(x), rel=1e-14)


def test_a_table_has_the_same_bits_as_each_of_its_numbers() -> None:
    # no instruction that does several at a time rounds otherwise
    cosines, sines = cosine_and_sine(np.arange(4096) / 50001)
    assert np.array_equal(cosines, np.array([cosine_and_sine(k / 50001)[0] for k in range(4096)]))
    assert np.array_equal(sines, np.array([sine(k / 50001) for k in range(4096)]))
