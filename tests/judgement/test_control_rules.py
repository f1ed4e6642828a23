"""Rules of control charts: by their published patterns, and by the run lengths that follow from them."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator, Sequence

import numpy as np
import pytest

from wavewright.errors import Misuse
from wavewright.judgement.control_rules import RULE_SETS, calls_of, read_rules

IS_WHOLE = os.environ.get("WAVEWRIGHT_PROOF") == "full"

# L. S. Nelson, Journal of Quality Technology 16 (1984), figure 2 (from memory): each test with points that make it and,
# beside them, the nearest that do not. Zones: C up to 1 sigma, B up to 2, A up to 3.
PATTERNS = [
    ("1 beyond 3 sigma", [0.2, -3.1], [0.2, -3.0]),
    ("2 of 3 beyond 2 sigma", [2.1, 0, 2.1], [2.1, 0, -2.1]),
    ("4 of 5 beyond 1 sigma", [1.1, 1.1, -0.5, 1.1, 1.1], [1.1, 1.1, -0.5, 1.1, -1.1]),
    ("8 in a row on one side", [0.1] * 8, [0.1] * 7 + [0.0]),
    ("9 in a row on one side", [-0.1] * 9, [-0.1] * 8 + [0.1]),
    ("6 in a row rising or falling", [-0.3, -0.2, -0.1, 0.1, 0.2, 0.3], [-0.3, -0.2, -0.1, -0.1, 0.2, 0.3]),
    ("6 in a row rising or falling", [0.3, 0.2, 0.1, -0.1, -0.2, -0.3], [0.3, 0.2, 0.1, -0.1, -0.2, -0.15]),
    ("14 in a row alternating", [0.1, -0.1] * 7, [0.1, -0.1] * 6 + [-0.2, 0.1]),
    ("15 in a row within 1 sigma", [0.9, -0.9, 0.9] * 5, [0.9, -0.9, 0.9] * 4 + [1.0, 0, 0]),
    ("8 in a row beyond 1 sigma on either side", [1.1, -1.2] * 4, [1.1, -1.2] * 3 + [1.1, -1.0]),
    ("cusum k 0.5 h 5", [2.0] * 4, [2.0] * 3 + [1.0]),  # sums 1.5, 3, 4.5, 6; and 1.5, 3, 4.5, 5, not above 5
    ("ewma weight 0.2 width 3", [3.1], [2.9]),  # the first average is λ z, its standard deviation λ
]


@pytest.mark.parametrize("rule, makes, makes_not", PATTERNS, ids=[f"{row[0]}, {row[1][-1]}" for row in PATTERNS])
def test_a_rule_calls_at_the_point_that_completes_its_pattern(
    rule: str, makes: list[float], makes_not: list[float]
) -> None:
    called = calls_of(makes, read_rules(rule))
    assert [(call.rule, call.index) for call in called] == [(rule, len(makes) - 1)]
    assert not calls_of(makes_not, read_rules(rule))


def test_a_call_counts_the_points_that_make_it() -> None:
    assert calls_of([0, 2.1, 0, 2.1], read_rules("2 of 3 beyond 2 sigma"))[0].count == 3
    assert calls_of([0, 0, 2.1, 2.1], read_rules("2 of 3 beyond 2 sigma"))[0].count == 2


def test_after_a_call_the_chart_begins_anew() -> None:
    # a shift that stays makes the pattern at the 8th and at the 16th point, not at the 9th to the 15th
    assert [call.index for call in calls_of([0.5] * 20, read_rules("8 in a row on one side"))] == [7, 15]


def test_published_sets_hold_what_was_published() -> None:
    # Western Electric, Statistical Quality Control Handbook (1956), p. 25-28; Nelson 1984, figure 2 (both from memory)
    assert [rule.words for rule in RULE_SETS["western electric"]] == [
        "1 beyond 3 sigma", "2 of 3 beyond 2 sigma", "4 of 5 beyond 1 sigma", "8 in a row on one side",
    ]  # fmt: skip
    assert len(RULE_SETS["nelson"]) == 8
    for rules in RULE_SETS.values():
        for rule in rules:
            assert read_rules(rule.words) == (rule,)


@pytest.mark.parametrize(
    "words", ["weco", "3 of 2 beyond 2 sigma", "2 in a row alternating", "1 beyond 0 sigma", "cusum k 0 h 5", "",
              "0 of 3 beyond 2 sigma", "ewma weight 1.5 width 3", "9999 in a row on one side",
              "15 in a row within 0 sigma"]
)  # fmt: skip
def test_words_that_are_no_rule_are_refused_with_what_is_one(words: str) -> None:
    with pytest.raises(Misuse) as refused:
        read_rules(words)
    assert "2 of 3" in refused.value.expected or "K of M" in refused.value.expected


# --- average run lengths ------------------------------------------------------------------------------------------

# C. W. Champ and W. H. Woodall, Technometrics 29 (1987) 393-399, table 1: average run length without a shift (from
# memory; `exact` below, which shares nothing with the code, gives the same to the last digit).
WESTERN_ELECTRIC = [
    ((1,), 370.40),
    ((1, 2), 225.44),
    ((1, 3), 166.05),
    ((1, 4), 152.73),
    ((1, 2, 3), 132.89),
    ((1, 2, 4), 122.05),
    ((1, 3, 4), 105.78),
    ((1, 2, 3, 4), 91.75),
]
EDGES = (-3, -2, -1, 0, 1, 2, 3)


def exact(tests: Sequence[int], shift: float) -> float:
    """Average run length by a Markov chain over the zones of the last points (Champ and Woodall's way).

    A state is, for each side, which of the last 2 points were beyond 2 sigma and which of the last 4 beyond 1 sigma,
    and how many in a row were on it. The mean number of points to absorption solves (I − Q) m = 1.
    """
    cumulated = [0.0, *(0.5 * math.erfc(-(edge - shift) / math.sqrt(2)) for edge in EDGES), 1.0]
    chances: list[float] = np.diff(cumulated).tolist()
    start = ((0, 0), (0, 0), (0, 0), 0)  # beyond 2: (low, high) bits; beyond 1: the same; side, run
    states, rows, todo = {start: 0}, [], [start]
    while todo:
        (low2, high2), (low1, high1), (side, run), _ = todo.pop(0)
        row: dict[int, float] = {}
        for zone, chance in enumerate(chances):
            above = zone >= 4
            far = zone in (0, 7)
            two = ((low2 << 1 | (zone <= 1)) & 7, (high2 << 1 | (zone >= 6)) & 7)
            four = ((low1 << 1 | (zone <= 2)) & 31, (high1 << 1 | (zone >= 5)) & 31)
            length = run + 1 if side == (1 if above else -1) else 1
            if (
                (1 in tests and far)
                or (2 in tests and max(bits.bit_count() for bits in two) >= 2)
                or (3 in tests and max(bits.bit_count() for bits in four) >= 4)
                or (4 in tests and length >= 8)
            ):
                continue
            after = (
                (two[0] & 3, two[1] & 3) if 2 in tests else (0, 0),
                (four[0] & 15, four[1] & 15) if 3 in tests else (0, 0),
                (1 if above else -1, length) if 4 in tests else (0, 0),
                0,
            )
            if after not in states:
                states[after] = len(states)
                todo.append(after)
            row[states[after]] = row.get(states[after], 0.0) + float(chance)
        rows.append(row)
    moves = np.zeros((len(states), len(states)))
    for number, row in enumerate(rows):
        for place, chance in row.items():
            moves[number, place] = chance
    return float(np.linalg.solve(np.eye(len(states)) - moves, np.ones(len(states)))[0])


@pytest.mark.parametrize("tests, in_control", WESTERN_ELECTRIC, ids=[str(row[0]) for row in WESTERN_ELECTRIC])
def test_the_markov_chain_gives_the_published_run_lengths(tests: tuple[int, ...], in_control: float) -> None:
    assert round(exact(tests, 0.0), 2) == in_control


def run_lengths(rules: str | tuple[int, ...], shift: float, seed: int) -> Iterator[int]:
    """Run lengths of the code itself, on normal points, until the proof has seen enough of them."""
    taken = (
        [RULE_SETS["western electric"][test - 1] for test in rules] if isinstance(rules, tuple) else read_rules(rules)
    )
    rng = np.random.default_rng(seed)
    before = -1
    for call in calls_of(rng.normal(shift, 1.0, 600_000 if IS_WHOLE else 60_000).tolist(), taken):
        if call.index > before:  # two rules may call at one point
            yield call.index - before
        before = call.index


RUN_LENGTHS: list[tuple[str | tuple[int, ...], float, Callable[[], float], str]] = [
    ((1,), 0.0, lambda: 1 / math.erfc(3 / math.sqrt(2)), "Shewhart: 1 / 0.0027 = 370.4"),
    ((1, 2, 3, 4), 0.0, lambda: exact((1, 2, 3, 4), 0.0), "Champ and Woodall 1987: 91.75"),
    ((1, 2, 3, 4), 1.0, lambda: exact((1, 2, 3, 4), 1.0), "the same chain, with a shift of 1 sigma"),
    ((1, 4), 0.0, lambda: exact((1, 4), 0.0), "Champ and Woodall 1987: 152.73"),
    (
        "cusum k 0.5 h 4",
        0.0,
        lambda: 168.0,
        "J. M. Lucas and R. B. Crosier, Technometrics 24 (1982): 168 (from memory)",
    ),
    ("cusum k 0.5 h 5", 1.0, lambda: 10.4, "Lucas and Crosier 1982: 10.4 (from memory)"),
    ("ewma weight 1 width 3", 0.0, lambda: 1 / math.erfc(3 / math.sqrt(2)), "with weight 1 it is Shewhart's chart"),
]


IDS = [f"{row[0]}, {row[1]:g}" for row in RUN_LENGTHS]


@pytest.mark.parametrize("rules, shift, published, source", RUN_LENGTHS, ids=IDS)
def test_average_run_length_of(
    rules: str | tuple[int, ...], shift: float, published: Callable[[], float], source: str
) -> None:
    """Within 4 standard errors of the simulation, and half a unit of the last digit that was published."""
    found = list(run_lengths(rules, shift, seed=204))
    error = float(np.std(found)) / math.sqrt(len(found))
    assert abs(float(np.mean(found)) - published()) < 4 * error + 0.05, source
