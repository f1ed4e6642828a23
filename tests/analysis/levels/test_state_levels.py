from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.levels.state_levels import LevelChoice, LevelMethod
from wavewright.analysis.measure import measure
from wavewright.analysis.record.survey import Survey
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Waveform

# 816 codes with a slow edge, an overshoot, a dip and two states
EXAMPLE = [40] * 400 + list(range(50, 201, 10)) + [225] * 4 + [205] * 6 + [210] * 390


def levels_of(codes: object, method: LevelMethod = LevelMethod.AUTO, **scale: float) -> tuple[float, float]:
    wave = Waveform(np.asarray(codes), interval=1.0, **scale)
    found = Survey(wave, LevelChoice(method)).levels
    return found.low, found.high


EXPECTED = [
    ("mode", 40.0, 210.0),
    ("median", 40.0, 210.0),
    ("shorth", 40.0, 210.0),
    ("mean", 41.100244499, 209.385749386),
    ("extremes", 40.0, 225.0),
    ("auto", 40.0, 210.0),
]


@pytest.mark.parametrize("method, low, high", EXPECTED, ids=[row[0] for row in EXPECTED])
@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.float64])
def test_levels_by_every_method(method: str, low: float, high: float, dtype: type) -> None:
    # math: split at 132.5; mean of the lower half (400·40 + 50 + 60 + … + 130) / 409
    found = levels_of(np.array(EXAMPLE, dtype=dtype), LevelMethod(method))
    assert found == pytest.approx((low, high), abs=5e-10)


@pytest.mark.parametrize("method", ["mode", "mean", "median", "shorth", "extremes", "auto"])
def test_an_inverted_waveform_has_the_inverted_levels(method: str) -> None:
    random = np.random.default_rng(20)
    codes = np.concatenate([random.normal(-40, 6, 999), random.normal(70, 3, 555)]).astype(np.int8)
    low, high = levels_of(codes, LevelMethod(method))
    assert levels_of(codes, LevelMethod(method), gain=-1.0) == pytest.approx((-high, -low))
    assert levels_of((-codes).astype(np.int8), LevelMethod(method)) == pytest.approx((-high, -low))


@given(gain=st.floats(1e-3, 1e3), offset=st.floats(-1e3, 1e3), method=st.sampled_from([m[0] for m in EXPECTED]))
@settings(max_examples=30)
def test_levels_follow_gain_and_offset(gain: float, offset: float, method: str) -> None:
    low, high = levels_of(np.array(EXAMPLE), LevelMethod(method))
    moved = levels_of(np.array(EXAMPLE), LevelMethod(method), gain=gain, offset=offset)
    assert moved == pytest.approx((offset + gain * low, offset + gain * high))


@given(st.lists(st.floats(-5, 5), min_size=2, max_size=40))
def test_the_shorth_is_the_mean_of_the_shortest_half(volts: list[float]) -> None:
    # definition: of all windows that hold half of the samples of the half, the narrowest
    values = np.unique(np.round(volts, 2))
    if values.size < 2 or values[-1] - values[0] < 0.5:
        return
    low, _ = levels_of(values, LevelMethod.SHORTH)
    half = values[values - values[0] < (values[-1] - values[0]) / 2]
    needed = (half.size + 1) // 2
    windows = [half[k : k + needed] for k in range(half.size - needed + 1)]
    narrowest = min(window[-1] - window[0] for window in windows)
    means = [window.mean() for window in windows if window[-1] - window[0] <= narrowest + 1e-12]
    assert min(means) - 1e-9 <= low <= max(means) + 1e-9


@pytest.mark.parametrize("seed", range(20))
def test_the_mode_finds_the_states_of_a_noisy_pwm_line(seed: int) -> None:
    # math: Gaussian noise of 2 codes moves the fullest of some 170 codes by no more than a few codes
    random = np.random.default_rng(seed)
    share = random.uniform(0.02, 0.98)
    codes = np.where(np.arange(100_000) % 1000 < 1000 * share, 80, -70) + random.normal(0, 2, 100_000).round()
    assert levels_of(codes.astype(np.int8)) == pytest.approx((-70, 80), abs=1.5)


def test_extremes_of_an_rc_driven_by_a_square_are_not_the_asymptotes() -> None:
    # math: e⁻⁵/(1 + e⁻⁵) = 0.006692851 and 0.993307149 at a half period of 5 time constants
    low = math.exp(-5) / (1 + math.exp(-5))
    up = 1 - (1 - low) * np.exp(-np.linspace(0, 5, 5001))
    found = levels_of(np.tile(np.concatenate([up[:-1], 1 - up[:-1]]), 3), LevelMethod.EXTREMES)
    assert found == pytest.approx((0.006692851, 0.993307149), abs=1e-9)


@pytest.mark.parametrize(
    "shape, dwells",
    [
        (np.sin(2 * np.pi * np.arange(10_000) / 1000), False),
        (np.abs(np.arange(10_000) % 1000 - 500.0), False),
        (np.random.default_rng(1).normal(0, 1, 10_000), False),
        (np.where(np.arange(10_000) % 1000 < 300, 1.0, 0.0), True),
        (np.where(np.arange(10_000) % 10_000 < 3, 1.0, 0.0), True),
    ],
    ids=["sine", "triangle", "noise", "square", "one glitch"],
)
def test_the_automatic_choice_takes_the_mode_only_where_the_waveform_dwells(shape: np.ndarray, dwells: bool) -> None:
    found = Survey(Waveform.from_volts(shape, interval=1.0)).levels
    assert found.has_states == dwells
    expected = "mode" if dwells else "extremes"
    assert f"low state: {expected}" in found.explanation
    assert f"high state: {expected}" in found.explanation
    if not dwells:
        assert (found.low, found.high) == (shape.min(), shape.max())


def test_declared_states_are_taken_as_they_are_also_one_of_them() -> None:
    wave = Waveform(np.array(EXAMPLE), interval=1.0)
    both = measure(wave, "amplitude", low_state=0.0, high_state="200 V")
    assert (both.value, both.doubts) == (200.0, ())
    assert measure(wave, "amplitude", low_state=0.0).value == 210.0
    assert measure(wave, "high_level", levels="extremes").value == 225.0


@pytest.mark.parametrize(
    "options, message",
    [
        ({"low_state": "3 V", "high_state": "1 V"}, "`low_state` 3 is not below `high_state` 1"),
        ({"low_state": "10 %"}, "declared as `10 %`"),
        ({"levels": "declared"}, "`low_state` and `high_state` with it"),
        ({"levels": "modal"}, "mode, mean, median, shorth, extremes"),
    ],
)
def test_level_options_that_make_no_sense_are_refused(options: dict[str, object], message: str) -> None:
    with pytest.raises(Misuse) as caught:
        measure(Waveform(np.array(EXAMPLE), interval=1.0), "amplitude", **options)
    assert message in str(caught.value)


def test_a_constant_has_no_levels_and_says_so() -> None:
    with pytest.raises(NotMeasurable, match="state levels of `rail`: 5 samples, all equal"):
        _ = Survey(Waveform(np.full(5, 3), interval=1.0, name="rail")).levels


def test_levels_crossed_by_a_declaration_are_not_measurable() -> None:
    reading = measure(Waveform(np.array(EXAMPLE), interval=1.0), "amplitude", low_state=300.0)
    assert reading.value is None
    assert "low 300 V, high 210 V" in reading.reason
