"""Limits that hold whatever the board does are faults of the file. Why they do: common practice, no source."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from wavewright.recipe.load import parse_recipe

Complaint = Callable[[str | bytes], str]

RECIPE = """\
wavewright: 1
title: Rail
measurements:
  rail:
    channels: {rail: {input: 1, coupling: COUPLING, range: 100 mV}}
    timebase: {span: 2 ms, rate: 25 MHz}
    shots: SHOTS
    compute: {found: {metric: METRIC, limit: LIMIT}}
    persistence: {rare: 100, rare_shots: RARE}
"""


def text(metric: str, limit: str, *, coupling: str = "ac", shots: int = 101, rare: str = "exactly 0") -> str:
    words = {"METRIC": metric, "LIMIT": limit, "COUPLING": coupling, "SHOTS": str(shots), "RARE": rare}
    recipe = RECIPE
    for word, instead in words.items():
        recipe = recipe.replace(word, instead)
    return recipe


@pytest.mark.parametrize("metric", ["mean", "cycle_mean"])
def test_a_mean_with_a_limit_needs_the_dc_component(metric: str, complaint: Complaint) -> None:
    assert complaint(text(metric, "at most 3.4 V")) == (
        f"recipe.yaml:8:15: `{metric}` of `rail` has a limit, and ac coupling removes what it measures\n"
        "  expected: a channel with `coupling: dc`\n  do: write `coupling: dc`, with a `range` and `offset` for it"
    )
    assert parse_recipe(text(metric, "at most 3.4 V", coupling="dc"), "r.yaml").measurements


@pytest.mark.parametrize(
    "metric, limit",
    [
        ("maximum", "at most 3.4 V"),
        ("minimum", "-1 V .. 1 V"),
        ("high_level", "at most 50 mV"),
        ("low_level", "at least -5 V"),
    ],
)
def test_a_level_beyond_what_an_ac_coupled_input_shows_is_no_limit(
    metric: str, limit: str, complaint: Complaint
) -> None:
    told = complaint(text(metric, limit))
    assert told.startswith(
        f"recipe.yaml:8:15: `limit: {limit}` holds for every `{metric}` that the range of `rail` can show\n"
        "  expected: a limit within -50 mV .. 50 mV"
    )


@pytest.mark.parametrize("coupling", ["ac", "dc"])
@pytest.mark.parametrize("metric", ["peak_to_peak", "ripple", "amplitude", "ac_rms", "load_step_dip"])
@pytest.mark.parametrize("limit", ["at most 40 V", "at most 100 mV", "at least 0 V", "-1 V .. 1 V"])
def test_a_spread_has_a_limit_that_a_reading_within_the_range_can_break(
    coupling: str, metric: str, limit: str, complaint: Complaint
) -> None:
    assert complaint(text(metric, limit, coupling=coupling)) == (
        f"recipe.yaml:8:15: `limit: {limit}` holds for every `{metric}` that the range of `rail` can show\n"
        "  expected: a limit within 0 V .. 100 mV\n"
        "  do: choose another limit (is its unit right?), or widen `range`"
    )
    assert parse_recipe(text(metric, "at most 99 mV", coupling=coupling), "r.yaml").measurements
    assert parse_recipe(text(metric, "at least 1 mV", coupling=coupling), "r.yaml").measurements


@pytest.mark.parametrize("metric, limit", [("maximum", "at most 49 mV"), ("peak_to_peak", "at most 40 mV")])
def test_a_limit_that_the_range_can_break_stands(metric: str, limit: str) -> None:
    assert parse_recipe(text(metric, limit), "r.yaml").measurements


@pytest.mark.parametrize("rare", ["at most 101", "at most 5000", "at least 0"])
def test_a_limit_on_rare_shots_allows_fewer_than_are_taken(rare: str, complaint: Complaint) -> None:
    told = complaint(text("peak_to_peak", "at most 40 mV", rare=rare))
    assert told.startswith(f"recipe.yaml:9:18: `rare_shots: {rare}` holds for any 101 shots\n  expected: a limit below")
    assert parse_recipe(text("peak_to_peak", "at most 40 mV", rare="at most 100"), "r.yaml").measurements


def test_in_as_many_shots_as_are_rare_for_one_none_is(complaint: Complaint) -> None:
    told = complaint(text("peak_to_peak", "at most 40 mV", shots=100))
    assert "no path of 100 shots is rarer than 1 in 100: `rare_shots: exactly 0` always holds" in told
    assert "expected: more than 100 shots" in told
