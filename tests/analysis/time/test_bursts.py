from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.errors import Misuse
from wavewright.waveform import Waveform


def bursts(pulses: list[int], pause: int = 200) -> Waveform:
    """Groups of pulses of 10 samples, 10 apart, with pauses between them and at the ends."""
    parts = [np.zeros(pause)]
    for count in pulses:
        parts += [np.tile(np.repeat([1.0, 0.0], 10), count), np.zeros(pause)]
    return Waveform.from_volts(np.concatenate(parts), interval=1e-6)


@given(st.lists(st.integers(2, 20), min_size=1, max_size=6))
@settings(max_examples=25)
def test_a_burst_lasts_from_its_first_to_its_last_edge(pulses: list[int]) -> None:
    # math: n pulses of 10 samples with n − 1 gaps of 10 between them
    reading = measure(bursts(pulses), "burst_width")
    assert reading.occurrences.values == pytest.approx([(20 * count - 10) * 1e-6 for count in pulses])


def test_a_burst_that_is_cut_by_the_record_does_not_count() -> None:
    whole = bursts([3, 4, 5])
    cut = Waveform.from_volts(whole.codes[210:], interval=1e-6)  # begins within the first burst
    assert measure(cut, "burst_width").count == 2
    cut = Waveform.from_volts(whole.codes[:-210], interval=1e-6)  # ends within the last burst
    assert measure(cut, "burst_width").count == 2


def test_the_pause_can_be_said() -> None:
    wave = bursts([3, 3], pause=30)
    assert measure(wave, "burst_width", pause="25 us").count == 2
    one = measure(Waveform.from_volts(np.pad(wave.codes, 100), interval=1e-6), "burst_width", pause="50 us")
    assert one.count == 1


def test_edges_without_a_pause_give_a_reason() -> None:
    wave = Waveform.from_volts(np.tile(np.repeat([1.0, 0.0], 10), 20), interval=1.0, name="gate")
    reading = measure(wave, "burst_width")
    assert reading.value is None
    assert reading.reason.startswith("`gate`: no group among 39 edges has a pause before it and after it")


def test_a_pause_of_no_length_is_refused() -> None:
    with pytest.raises(Misuse, match="`pause` is `0"):
        measure(bursts([3]), "burst_width", pause=0.0)
