from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.instruments.setups import InputSetup
from wavewright.running.auto_range import MOST_SHOTS, Extent, RangeSearch, extent
from wavewright.waveform import Waveform

STEPS = [0.08, 0.16, 0.4, 0.8, 1.6, 4.0, 8.0, 16.0, 40.0, 80.0]  # V peak to peak, an invented 1-2-5 front end
ROOM_FOR_ROUNDING = 1 / 256  # a code of the range that the last shot was taken with


class FrontEnd:
    """An 8-bit converter behind a range switch; it rounds a range up to its next step and clips what goes beyond."""

    def __init__(self, lowest: float, highest: float, steps: list[float]) -> None:
        self.lowest, self.highest, self.steps = lowest, highest, steps

    def use(self, wanted: InputSetup) -> InputSetup:
        bnc = wanted.range / wanted.attenuation
        step = next((size for size in self.steps if size >= bnc * 0.999), max(self.steps)) if self.steps else bnc
        return replace(wanted, range=step * wanted.attenuation)

    def shot(self, used: InputSetup) -> Waveform:
        volts = np.array([self.lowest, self.highest])
        codes = np.clip(np.round((volts - used.offset) / used.range * 256), -128, 127).astype(np.int8)
        return Waveform(codes, gain=used.range / 256, offset=used.offset, interval=1e-6, code_range=(-128, 127))


def search(front_end: FrontEnd, first: InputSetup) -> tuple[RangeSearch, InputSetup, Extent]:
    ranges = RangeSearch(first, ranges=front_end.steps)
    for _ in range(MOST_SHOTS):
        used = front_end.use(ranges.setting)
        seen = extent(front_end.shot(used))
        ranges.see(seen, used)
        if ranges.is_done:
            return ranges, used, seen
    raise AssertionError("no end")


@given(
    middle=st.floats(-20, 20),
    swing=st.floats(0.001, 30),
    attenuation=st.sampled_from([1.0, 10.0]),
    is_stepless=st.booleans(),
)
def test_it_ends_with_nothing_cut_off_and_no_smaller_range_that_would_do(
    middle: float, swing: float, attenuation: float, is_stepless: bool
) -> None:
    steps = [] if is_stepless else STEPS
    front_end = FrontEnd(middle - swing / 2, middle + swing / 2, steps)
    _, used, seen = search(front_end, InputSetup(1, range=1.0, attenuation=attenuation))
    assert not seen.is_clipped
    if is_stepless:
        assert 0.6 - ROOM_FOR_ROUNDING <= swing / used.range <= 0.9 + ROOM_FOR_ROUNDING
    elif used.range > STEPS[0] * attenuation:
        smaller = max(size for size in STEPS if size * attenuation < used.range)
        # either it fills what it has as wanted, or the next smaller range would be filled beyond what is wanted
        assert swing / used.range >= 0.6 - 0.01 or swing / (smaller * attenuation) > 0.9 - 0.01


def test_a_signal_beyond_the_widest_range_ends_there_and_says_so() -> None:
    ranges, used, _ = search(FrontEnd(-90.0, 90.0, STEPS), InputSetup(1, range=1.0))
    assert used.range == 80.0
    assert "the signal goes beyond it" in ranges.remark


def test_a_signal_beside_the_widest_range_is_brought_into_it() -> None:
    # given 50 V, which the widest range reaches only with an offset
    _, used, seen = search(FrontEnd(45.0, 55.0, STEPS), InputSetup(1, range=1.0))
    assert not seen.is_clipped
    assert used.range == 16.0
    assert used.offset == pytest.approx(50.0, abs=0.5)


def test_a_line_that_does_not_move_gets_the_smallest_range_round_it() -> None:
    ranges, used, seen = search(FrontEnd(3.3, 3.3, STEPS), InputSetup(1, range=1.0))
    assert used.range == STEPS[0]
    assert not seen.is_clipped
    assert ranges.remark.startswith("auto range: 80 mV round 3.3")


def test_it_says_what_it_chose() -> None:
    ranges, _, _ = search(FrontEnd(0.0, 5.0, STEPS), InputSetup(1, range=1.0))
    assert ranges.remark == "auto range: 8 V round 2.500 V, 62 % of the codes used"


@pytest.mark.parametrize("code", [-128, 127])
def test_one_sample_on_the_last_code_counts_as_cut_off(code: int) -> None:
    wave = Waveform(np.array([0, code], dtype=np.int8), gain=0.01, interval=1e-6, code_range=(-128, 127))
    assert extent(wave).is_clipped


def test_an_inverting_scale_keeps_lowest_below_highest() -> None:
    wave = Waveform(np.array([-10, 20], dtype=np.int8), gain=-0.01, offset=1.0, interval=1e-6, code_range=(-128, 127))
    assert extent(wave) == Extent(pytest.approx(0.8), pytest.approx(1.1), 0.01)
