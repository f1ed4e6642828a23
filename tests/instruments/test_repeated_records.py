"""Records that come twice: what counts as the same one, and what cannot be told apart from a steady line."""

from __future__ import annotations

import numpy as np
import pytest

from wavewright.instruments.repeated_records import RepeatedRecords
from wavewright.instruments.setups import InputSetup
from wavewright.waveform import Waveform

INPUTS = {"rail": InputSetup(1, 8.0), "drive": InputSetup(2, 8.0)}


def wave(codes: np.ndarray, name: str = "rail") -> Waveform:
    return Waveform(codes.astype(np.int8), gain=8 / 256, interval=1e-6, name=name)


def noisy(seed: int, points: int = 2000) -> np.ndarray:
    return np.rint(np.random.default_rng(seed).normal(0, 1, points))


@pytest.mark.parametrize("points", [200, 2000, 50_000])
def test_a_record_that_comes_again_is_seen_and_a_new_one_is_not(points: int) -> None:
    repeats = RepeatedRecords()
    assert repeats.seen({"rail": wave(noisy(1, points))}, INPUTS) == ()
    assert repeats.seen({"rail": wave(noisy(1, points))}, INPUTS) == ("rail",)
    assert repeats.seen({"rail": wave(noisy(2, points))}, INPUTS) == ()
    assert repeats.seen({"rail": wave(noisy(1, points))}, INPUTS) == ()  # not the one that came last


def test_each_input_has_a_record_of_its_own() -> None:
    repeats = RepeatedRecords()
    repeats.seen({"rail": wave(noisy(1)), "drive": wave(noisy(2), "drive")}, INPUTS)
    repeated = repeats.seen({"rail": wave(noisy(3)), "drive": wave(noisy(2), "drive")}, INPUTS)
    assert repeated == ("drive",)


def test_another_scale_does_not_make_it_a_new_record() -> None:
    # given a record of the set-up before, which comes with the range of the next one
    repeats = RepeatedRecords()
    repeats.seen({"rail": wave(noisy(1))}, INPUTS)
    again = Waveform(noisy(1).astype(np.int8), gain=20 / 256, interval=1e-3, name="feed")
    assert repeats.seen({"feed": again}, {"feed": InputSetup(1, 20.0)}) == ("feed",)


@pytest.mark.parametrize(
    "codes", [np.zeros(2000), np.repeat([0, 100, 0, 100, 0], 400)], ids=["a steady line", "four clean edges"]
)
def test_what_shows_no_noise_may_well_come_twice(codes: np.ndarray) -> None:
    repeats = RepeatedRecords()
    assert repeats.seen({"rail": wave(codes)}, INPUTS) == repeats.seen({"rail": wave(codes)}, INPUTS) == ()


def test_a_steady_line_between_two_records_ends_what_is_remembered() -> None:
    repeats = RepeatedRecords()
    for codes in (noisy(1), np.zeros(2000), noisy(1)):
        assert repeats.seen({"rail": wave(codes)}, INPUTS) == ()
