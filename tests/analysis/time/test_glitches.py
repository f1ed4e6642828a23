from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.doubts import Doubt
from wavewright.analysis.measure import measure
from wavewright.errors import Misuse
from wavewright.waveform import Waveform


def enable_line(periods: int = 500, glitch: int | None = 321) -> Waveform:
    """A clean line of 100 samples per period with one pulse of 2 samples in the middle of a low state."""
    codes = (np.arange(100 * periods) % 100 < 50).astype(np.int8) * 100
    if glitch is not None:
        codes[100 * glitch + 75 : 100 * glitch + 77] = 80
    return Waveform(codes, interval=1e-8, name="enable")


def test_one_glitch_in_500_periods_is_found_with_its_time() -> None:
    reading = measure(enable_line(), "glitches")
    assert reading.value == 1
    assert reading.occurrences.times == pytest.approx([(100 * 321 + 75) * 1e-8], abs=1e-8)
    assert measure(enable_line(glitch=None), "glitches").value == 0


@given(st.sets(st.integers(0, 99)))
@settings(max_examples=20)
def test_as_many_glitches_are_found_as_were_put_in(places: set[int]) -> None:
    codes = enable_line(100, None).codes.copy()
    for place in places:
        codes[100 * place + 20] = 0
    reading = measure(Waveform(codes, interval=1e-8), "glitches")
    assert reading.value == len(places)
    assert measure(Waveform(codes, interval=1e-8), "glitches", polarity="positive").value == 0


def test_the_width_decides() -> None:
    wave = enable_line()
    assert measure(wave, "glitches", width="15 ns").value == 0
    assert measure(wave, "glitches", width="25 ns").value == 1
    assert measure(wave, "glitches", width="1 us", polarity="negative").value == 500
    with pytest.raises(Misuse, match="`width` is `0"):
        measure(wave, "glitches", width="0 s")


def test_pulses_that_may_lie_between_two_samples_are_doubted() -> None:
    # a pulse of less than two sample intervals need not meet two samples: arithmetic of the sampling
    wave = enable_line()
    seen, unseen = measure(wave, "glitches", width="21 ns"), measure(wave, "glitches", width="19 ns")
    assert Doubt.FEW_SAMPLES not in seen.doubts
    assert Doubt.FEW_SAMPLES in unseen.doubts
    (finding,) = unseen.findings
    assert finding.text == "pulses below 19 ns are counted, at a sample each 10 ns"
    assert (finding.decides, finding.below, finding.above) == (True, 0.0, np.inf)


def test_a_usual_width_of_few_samples_is_doubted_too() -> None:
    wave = Waveform((np.arange(600) % 6 < 3).astype(np.int8) * 100, interval=1e-8)
    assert Doubt.FEW_SAMPLES in measure(wave, "glitches").doubts
    assert Doubt.FEW_SAMPLES not in measure(wave, "glitches", width="20 ns").doubts


@given(st.lists(st.integers(8, 60), min_size=4, max_size=40))
def test_a_glitch_is_narrower_than_a_quarter_of_the_median(widths: list[int]) -> None:
    # the definition, from the widths that are read one by one
    codes = np.repeat(np.resize(np.array([0, 100], dtype=np.int8), len(widths) + 2), [50, *widths, 50])
    wave = Waveform(codes, interval=1e-8)
    narrow = 0
    for polarity in ("positive", "negative"):
        each = measure(wave, f"{polarity}_pulse_width").occurrences
        if each is not None:
            samples = np.round(each.values / wave.interval)
            narrow += int(np.count_nonzero(samples < np.median(samples) / 4))
    assert measure(wave, "glitches").value == narrow
