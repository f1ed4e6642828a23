"""Joining the readings of several shots."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.reading import Doubt, Reading
from wavewright.errors import Misuse
from wavewright.judgement.joining import OVER, joined

# Ten results of a voltage measurement, mV. Mean 70.0 and s 2.0 by hand: squared differences add up to 36 = 9 · 2².
VOLTS = [67.0, 73.0, 68.0, 72.0, 69.0, 71.0, 70.0, 70.0, 68.0, 72.0]


def readings(values: list[float], *, uncertainty: float | None = None) -> list[Reading]:
    return [Reading(value=value, unit="V", uncertainty=uncertainty) for value in values]


def test_the_mean_has_the_uncertainty_of_the_mean() -> None:
    joint = joined(readings(VOLTS), "mean")
    assert joint.value == 70.0
    # JCGM 100:2008, 4.2.3, equation (5): s / √n, here 2 / √10
    assert joint.uncertainty == pytest.approx(2.0 / math.sqrt(10))
    assert (joint.count, joint.minimum, joint.maximum) == (10, 67.0, 73.0)
    assert joint.standard_deviation == pytest.approx(2.0)


def test_what_shots_state_and_do_not_scatter_by_is_common_to_them() -> None:
    # JCGM 100:2008, 5.1.2, equation (10): four independent terms u / 4 each give u / √4
    assert joined(readings([1.0] * 4, uncertainty=0.2), "mean").uncertainty == pytest.approx(0.2)


def test_the_largest_and_the_smallest_keep_the_uncertainty_of_their_shot() -> None:
    shots = [Reading(value=value, unit="V", uncertainty=value / 10) for value in (1.0, 3.0, 2.0)]
    assert (joined(shots, "max").value, joined(shots, "max").uncertainty) == (3.0, pytest.approx(0.3))
    assert (joined(shots, "min").value, joined(shots, "min").uncertainty) == (1.0, pytest.approx(0.1))


def test_the_standard_deviation_is_known_to_one_over_the_root_of_twice_its_degrees_of_freedom() -> None:
    joint = joined(readings(VOLTS), "stdev")
    assert joint.value == pytest.approx(2.0)
    # JCGM 100:2008, table E.1: 24 % for ten observations (from memory, not verified); formula E.4.3 gives 23.6 %
    assert joint.uncertainty / joint.value == pytest.approx(0.24, abs=0.005)


def test_the_percentile_lies_between_the_ranks() -> None:
    joint = joined(readings([float(number) for number in range(101)]), "p99")
    assert joint.value == pytest.approx(99.0)  # math: 100 steps, the 99th of them
    # math: the binomial standard deviation of the rank, √(101 · 0.99 · 0.01) = 0.99995, is here that of the value
    assert joint.uncertainty == pytest.approx(math.sqrt(101 * 0.99 * 0.01))


def test_of_few_shots_the_uncertainty_of_the_percentile_is_not_known() -> None:
    assert joined(readings(VOLTS), "p99").uncertainty is None


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40), st.randoms(use_true_random=False))
def test_the_order_of_the_shots_does_not_matter(values: list[float], random: object) -> None:
    shuffled = list(values)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    for over in ("mean", "max", "min", "stdev", "p99"):
        first, second = joined(readings(values), over), joined(readings(shuffled), over)
        assert first.value == pytest.approx(second.value, abs=1e-9)


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40))
def test_joined_values_agree_with_numpy(values: list[float]) -> None:
    # numpy: mean, max, min, std(ddof=1), percentile(method="linear")
    expected = {
        "mean": np.mean(values), "max": np.max(values), "min": np.min(values), "stdev": np.std(values, ddof=1),
        "p99": np.percentile(values, 99, method="linear"),
    }  # fmt: skip
    for over, value in expected.items():
        assert joined(readings(values), over).value == pytest.approx(float(value), abs=1e-9)


def test_a_shot_without_a_number_leaves_no_number_and_says_why() -> None:
    shots = [*readings([1.0, 2.0]), Reading(value=None, unit="V", reason="no edge", doubts=(Doubt.CLIPPED,))]
    joint = joined(shots, "mean")
    assert joint.value is None
    assert joint.reason == "1 of 3 shots gave no number: no edge"
    assert joint.doubts == (Doubt.CLIPPED,)


def test_doubts_of_all_shots_are_carried_along_once() -> None:
    doubts = [(Doubt.NOISY,), (Doubt.CLIPPED, Doubt.NOISY), ()]
    shots = [Reading(value=1.0, unit="V", doubts=each) for each in doubts]
    assert joined(shots, "max").doubts == (Doubt.NOISY, Doubt.CLIPPED)


def test_one_shot_is_joined_to_itself() -> None:
    shot = Reading(value=1.0, unit="V", uncertainty=0.1, count=12, minimum=0.5)
    for over in ("mean", "max", "min", "p99"):
        assert joined([shot], over) == shot


def test_the_standard_deviation_of_one_shot_is_no_number() -> None:
    assert joined(readings([1.0]), "stdev").reason == "`stdev` of 1 shot; it needs 2"


@pytest.mark.parametrize(
    "shots, over, message",
    [
        ([], "mean", "readings in no unit to be joined by `mean`"),
        ([Reading(value=1.0, unit="V"), Reading(value=1.0, unit="s")], "max", "readings in V, s to be joined by `max`"),
        ([Reading(value=1.0, unit="V")], "each", "readings in V to be joined by `each`"),
    ],
)
def test_what_cannot_be_joined_is_refused(shots: list[Reading], over: str, message: str) -> None:
    with pytest.raises(Misuse) as caught:
        joined(shots, over)
    expected = "one or more readings in one unit, and a way that joins"
    assert str(caught.value) == f"{message}\n  expected: {expected}"


def test_an_unknown_way_to_join_names_the_nearest() -> None:
    with pytest.raises(Misuse) as caught:
        joined(readings([1.0]), "maxx")
    expected = "each, mean, max, min, stdev, p99"
    assert str(caught.value) == (
        f"unknown statistic over shots, `maxx`\n  expected: one of {expected}\n  do: did you mean `max`?"
    )


def test_every_way_to_join_says_what_it_is() -> None:
    assert all(over.definition for over in OVER.values())
