from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.levels.states import find_states
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.analysis.record.survey import Survey
from wavewright.errors import Misuse
from wavewright.waveform import Waveform


def test_the_levels_of_a_generated_record() -> None:
    # PyWavelets 1.9.0, pywt.data.demo_signal('Blocks', 2048): 12 steps between 12 values, of which one is a single
    # sample halfway up a step; 2.0 and 2.1 are 1.4 % of the range apart
    pywt = pytest.importorskip("pywt")
    blocks = np.round(pywt.data.demo_signal("Blocks", 2048), 6)
    levels, counts = np.unique(blocks, return_counts=True)
    expected = levels[counts > 20]
    found = find_states(Survey(Waveform.from_volts(blocks, interval=1.0)), fewest=0.01, apart=0.003)
    assert expected.size == 11
    assert [state.level for state in found] == pytest.approx(list(expected), abs=0.03)


@given(count=st.integers(1, 6), seed=st.integers(0, 99))
@settings(max_examples=40)
def test_noisy_levels_are_counted_and_found(count: int, seed: int) -> None:
    # math: noise of 1.5 codes around levels that are 40 codes apart overlaps nowhere
    random = np.random.default_rng(seed)
    levels = -100 + 40 * np.arange(count)
    codes = np.repeat(random.permutation(np.tile(levels, 10)), 200) + random.normal(0, 1.5, 2000 * count)
    wave = Waveform(np.round(codes).astype(np.int8), gain=0.1, interval=1.0)
    if count == 1:
        return
    assert measure(wave, "states").value == count
    found = [measure(wave, "state_level", number=k + 1).value for k in range(count)]
    assert found == pytest.approx(0.1 * levels, abs=0.25)


def test_a_constant_has_one_state_and_a_ramp_has_none() -> None:
    assert measure(Waveform(np.full(100, 7), interval=1.0), "states").value == 1
    assert measure(Waveform.from_volts(np.linspace(0, 1, 10_000), interval=1.0), "states").value == 0


def test_the_levels_of_an_inverted_line_count_from_its_own_lowest() -> None:
    codes = np.repeat([0, 50, 120], [300, 500, 400]).astype(np.int16)
    wave = Waveform(codes, gain=-1.0, interval=1.0)
    assert [measure(wave, "state_level", number=k).value for k in (1, 2, 3)] == [-120, -50, 0]


def test_a_state_that_is_not_there_gives_a_reason() -> None:
    reading = measure(Waveform(np.repeat([0, 9] * 5, 10), interval=1.0, name="bus"), "state_level", number=3)
    assert reading.value is None
    assert reading.reason.startswith("`bus`: 2 states")


@pytest.mark.parametrize("name, options", [("states", {"fewest": 0.0}), ("state_level", {"number": 0})])
def test_options_that_make_no_sense_are_refused(name: str, options: dict[str, object]) -> None:
    with pytest.raises(Misuse):
        measure(Waveform(np.repeat([0, 9] * 5, 10), interval=1.0), name, **options)


@pytest.mark.parametrize("size", [7, 8, 9, 100])
def test_where_a_block_ends_does_not_matter(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    codes = np.repeat([0, 50, 120, 50, 0], [30, 3, 40, 20, 9]).astype(np.int16)
    expected = find_states(Survey(Waveform(codes, interval=1.0)))
    monkeypatch.setattr("wavewright.analysis.levels.states.CODES_BLOCK", size)
    assert find_states(Survey(Waveform(codes, interval=1.0))) == expected
    assert sum(state.share for state in expected) == pytest.approx(1.0)


def test_values_that_are_only_passed_are_no_states() -> None:
    # a coherent ramp has the same ten values on every edge: 5 % of the samples each, and dwells at none of them
    ramp = np.tile(np.concatenate([np.linspace(0, 100, 11)[:-1], np.full(40, 100), np.linspace(100, 0, 11)[:-1]]), 30)
    assert measure(Waveform(ramp.astype(np.int8), interval=1.0), "states").value == 1


def stored(volts: np.ndarray) -> dict[str, Waveform]:
    """The same samples as floats, and as codes of some 250 and of some 1800 steps."""
    middle, span = (volts.max() + volts.min()) / 2, float(np.ptp(volts))
    found = {"float": Waveform.from_volts(volts, interval=1e-6)}
    for dtype, steps in ((np.int8, 250), (np.int16, 1800)):
        codes = np.round((volts - middle) / span * steps).astype(dtype)
        found[str(np.dtype(dtype))] = Waveform(codes, gain=span / steps, offset=middle, interval=1e-6)
    return found


@pytest.mark.parametrize("level, sigma, size", [(3.3, 0.01, 20_000), (0.0, 2.0, 20_000), (5.0, 0.1, 200)])
def test_a_steady_line_with_noise_has_one_state_however_it_is_stored(level: float, sigma: float, size: int) -> None:
    volts = np.random.default_rng(1).normal(level, sigma, size)
    assert {name: measure(wave, "states").value for name, wave in stored(volts).items()} == {
        "float": 1.0, "int8": 1.0, "int16": 1.0,
    }  # fmt: skip


@pytest.mark.parametrize("part", [0.02, 0.1, 0.12, 0.2])
def test_two_levels_among_noise_are_two_however_they_are_stored(part: float) -> None:
    random = np.random.default_rng(2)
    volts = np.repeat(random.integers(0, 2, 400), 50) + random.normal(0, part, 20_000)
    assert {measure(wave, "states").value for wave in stored(volts).values()} == {2.0}


def test_noise_that_hides_the_states_is_said() -> None:
    random = np.random.default_rng(2)
    volts = np.repeat(random.integers(0, 2, 400), 50) + random.normal(0, 0.35, 20_000)
    for wave in stored(volts).values():
        reading = measure(wave, "states")
        assert reading.value == 1.0 or Doubt.NOISY in reading.doubts


def test_a_few_codes_of_noise_are_one_state_as_floats_too() -> None:
    codes = np.round(np.random.default_rng(3).normal(0, 0.6, 5000))
    for wave in (Waveform(codes.astype(np.int8), interval=1e-6), Waveform(0.01 * codes, interval=1e-6)):
        assert measure(wave, "states").value == 1.0
