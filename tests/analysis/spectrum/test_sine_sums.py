"""Sums of blocks against sums of samples, and both against sums in extended precision."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum import sine_fit
from wavewright.analysis.spectrum.sine_fit import fit_sine
from wavewright.analysis.spectrum.sine_sums import NEAR, BlockedSums, SampledSums
from wavewright.waveform import Waveform


def codes_of(size: int, turn: float, *, kind: str = "int16") -> np.ndarray:
    noise = np.random.default_rng(size).normal(0, 40, size)
    return np.rint(9000 * np.cos(turn * np.arange(size) + 0.4) + noise + 120).astype(kind)


@given(
    size=st.sampled_from([700, 8192, 8193, 65_536, 100_003]),
    turn=st.floats(0.01, 3.1),
    change=st.sampled_from([0.0, 0.1, -0.9, 3.0, 1e4]),
    amplitudes=st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)),
)
def test_sums_of_blocks_are_those_of_the_samples(
    size: int, turn: float, change: float, amplitudes: tuple[float, float]
) -> None:
    codes = codes_of(size, turn)
    blocked, sampled = BlockedSums(codes, 100.5), SampledSums(codes, 100.5)
    blocked.normal(turn, 1.0, 0.0)  # from here on the sums of near turns are those of this one
    turn += change * NEAR / 4096
    (left, right), (expected_left, expected_right) = (each.normal(turn, *amplitudes) for each in (blocked, sampled))
    lengths = np.sqrt(np.diag(expected_left))
    assert left == pytest.approx(expected_left, abs=1e-12 * size * max(1.0, float(lengths[3]) / size**0.5) ** 2)
    # the last one is less exact: it only says in which direction the turn should change
    of_codes = float(np.sqrt(np.square(codes - 100.5).sum()))
    assert right[:3] == pytest.approx(expected_right[:3], abs=1e-11 * of_codes * size**0.5)
    assert right[3] == pytest.approx(expected_right[3], abs=2 * NEAR * of_codes * max(1.0, float(lengths[3])))
    found = np.array([*amplitudes, 19.5])
    assert blocked.residual_squares(turn, found) == pytest.approx(sampled.residual_squares(turn, found), rel=1e-9)


def test_both_are_what_extended_precision_adds_up() -> None:
    # NumPy's cosine and sine in extended precision, where the processor has it
    size, turn = 20_000, 0.7
    codes = codes_of(size, turn)
    angles = np.longdouble(turn) * (np.arange(size) - np.longdouble(size - 1) / 2)
    rows = np.array([np.cos(angles), np.sin(angles), np.ones(size)])
    values = codes.astype(np.longdouble) - 100
    for sums in (SampledSums(codes, 100.0), BlockedSums(codes, 100.0)):
        left, right = sums.normal(turn, 0.0, 0.0)
        assert left[:3, :3] == pytest.approx((rows @ rows.T).astype(float), abs=1e-7)
        assert right[:3] == pytest.approx((rows @ values).astype(float), abs=1e-3)  # of 9e7
        left_over = values - 5 * rows[0] - 3 * rows[2]
        assert sums.residual_squares(turn, np.array([5.0, 0.0, 3.0])) == pytest.approx(float(left_over @ left_over))


@pytest.mark.parametrize("kind", ["int8", "int16", "float64"])
@pytest.mark.parametrize("frequency", [None, 0.0123])
def test_a_fit_to_a_long_record_is_that_of_the_whole(
    kind: str, frequency: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    size, turn = 200_003, 0.0123 * 2 * np.pi if frequency else 0.077
    codes = codes_of(size, turn) // (100 if kind == "int8" else 1)
    wave = Waveform(codes.astype(kind), gain=-0.02, offset=3.0, interval=1.0, start=7.0)
    whole = fit_sine(Survey(wave), frequency=frequency)
    monkeypatch.setattr(sine_fit, "LONG", size)
    monkeypatch.setattr(sine_fit, "FIRST_PART", 1 << 13)
    found = fit_sine(Survey(wave), frequency=frequency)
    for name in ("frequency", "amplitude", "offset", "residual_rms", "cycles"):
        assert getattr(found, name) == pytest.approx(getattr(whole, name), rel=1e-11), name
    assert found.phase == pytest.approx(whole.phase, abs=1e-8)
    for name in ("frequency", "amplitude", "phase", "offset"):
        assert getattr(found, f"{name}_uncertainty") == pytest.approx(getattr(whole, f"{name}_uncertainty"), rel=1e-9)
