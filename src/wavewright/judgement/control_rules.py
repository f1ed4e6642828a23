"""Rules that call on a control chart: patterns of points that a process which only scatters seldom makes.

Points are given as their distance from the centre line in standard deviations, one after the other. A rule is written
in words that are its definition, or as the name of a published set of them.
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import Protocol

from wavewright.errors import Misuse

LONGEST = 1000  # points that a rule may look back
WIDEST = 20.0  # standard deviations


class RuleWatch(Protocol):
    """Follows a chart from its beginning on."""

    def take(self, z: float) -> int:
        """Take the next point; how many points up to it make the pattern, 0 where it does not call."""


class ControlRule(Protocol):
    """A rule: its words, and how it follows a chart."""

    @property
    def words(self) -> str:
        """The rule as a recipe says it."""

    def watch(self) -> RuleWatch:
        """Begin a chart."""


@dataclass(frozen=True, slots=True)
class RuleCall:
    """A rule called.

    Parameters
    ----------
    rule : its words; index : of the point that completed the pattern, from 0; count : of the points that make it.
    """

    rule: str
    index: int
    count: int


@dataclass(frozen=True, slots=True)
class BeyondSigma:
    """`count` of `of` points in a row lie beyond `sigma` on the same side, the last one among them.

    Shewhart's one point beyond 3 sigma, and tests 2 and 3 of the Western Electric Statistical Quality Control Handbook
    (1956, section II, part B), which are tests 5 and 6 of L. S. Nelson (Journal of Quality Technology 16, 1984,
    237-239 †).
    """

    count: int
    of: int
    sigma: float

    @property
    def words(self) -> str:
        """Such as `2 of 3 beyond 2 sigma`."""
        of = "" if self.of == 1 else f" of {self.of}"
        return f"{self.count}{of} beyond {self.sigma:g} sigma"

    def watch(self) -> RuleWatch:
        """Begin a chart; points that are not there yet are not beyond."""
        return _Window(self.of, self._made)

    def _made(self, window: Sequence[float]) -> int:
        side = 1.0 if window[-1] > 0 else -1.0
        beyond = [side * z > self.sigma for z in window]
        if not beyond[-1] or sum(beyond) < self.count:
            return 0
        return len(window) - beyond.index(True)


@dataclass(frozen=True, slots=True)
class RunRule:
    """`count` points in a row that have something in common; what is one of `RUNS`.

    `on one side` of the centre line: Western Electric's test 4 (8), Nelson's test 2 (9); `rising or falling` steadily:
    Nelson's 3 (6); `alternating` up and down: 4 (14); `within 1 sigma`: 7 (15); `beyond 1 sigma on either side`: 8 (8).
    """

    count: int
    what: str
    sigma: float = 0.0

    @property
    def words(self) -> str:
        """Such as `8 in a row on one side`."""
        return f"{self.count} in a row {self.what.replace('Z', f'{self.sigma:g}')}"

    def watch(self) -> RuleWatch:
        """Begin a chart."""
        return _Window(self.count, self._made)

    def _made(self, window: Sequence[float]) -> int:
        is_run = len(window) == self.count and RUNS[self.what](window, self.sigma)
        return self.count if is_run else 0


@dataclass(frozen=True, slots=True)
class CumulativeSum:
    """Tabular cumulative sums, upwards and downwards, which call beyond a decision interval.

    S = max(0, S + |z| − k) for each side (E. S. Page, Biometrika 41, 1954, 100-115 †; ISO 7870-4:2021 †).

    Parameters
    ----------
    k : reference value, half of the shift that matters; h : decision interval; both in standard deviations.
    """

    k: float
    h: float

    @property
    def words(self) -> str:
        """Such as `cusum k 0.5 h 5`."""
        return f"cusum k {self.k:g} h {self.h:g}"

    def watch(self) -> RuleWatch:
        """Begin with both sums at 0."""
        return _Sums(self)


@dataclass(frozen=True, slots=True)
class WeightedAverage:
    """Exponentially weighted moving average, which calls beyond limits of `width` of its own standard deviations.

    E = (1 − λ) E + λ z from 0 on, with the exact variance λ/(2 − λ) · (1 − (1 − λ)²ⁿ) of the nth (S. W. Roberts,
    Technometrics 1, 1959, 239-250 †; ISO 7870-6:2016 †).
    """

    weight: float
    width: float

    @property
    def words(self) -> str:
        """Such as `ewma weight 0.2 width 3`."""
        return f"ewma weight {self.weight:g} width {self.width:g}"

    def watch(self) -> RuleWatch:
        """Begin with the centre line."""
        return _Average(self)


class _Window:
    """The newest points, as many as a rule looks at."""

    def __init__(self, length: int, made: Callable[[Sequence[float]], int]) -> None:
        self._points: deque[float] = deque(maxlen=length)
        self._made = made

    def take(self, z: float) -> int:
        self._points.append(z)
        return self._made(self._points)


class _Sums:
    def __init__(self, rule: CumulativeSum) -> None:
        self._rule = rule
        self._sums, self._since = [0.0, 0.0], [0, 0]

    def take(self, z: float) -> int:
        called = 0
        for place, side in enumerate((1.0, -1.0)):
            self._sums[place] = max(0.0, self._sums[place] + side * z - self._rule.k)
            self._since[place] = self._since[place] + 1 if self._sums[place] else 0
            if self._sums[place] > self._rule.h:
                called = max(called, self._since[place])
        return called


class _Average:
    def __init__(self, rule: WeightedAverage) -> None:
        self._rule = rule
        self._average, self._count, self._rest = 0.0, 0, 1.0

    def take(self, z: float) -> int:
        weight = self._rule.weight
        self._count += 1
        self._average += weight * (z - self._average)
        self._rest *= (1 - weight) * (1 - weight)
        variance = weight / (2 - weight) * (1 - self._rest)
        return self._count if abs(self._average) > self._rule.width * math.sqrt(variance) else 0


def _on_one_side(window: Sequence[float], _: float) -> bool:
    return all(z > 0 for z in window) or all(z < 0 for z in window)


def _steps(window: Sequence[float]) -> list[float]:
    points = list(window)
    return [after - before for before, after in pairwise(points)]


def _steadily(window: Sequence[float], _: float) -> bool:
    return _on_one_side(_steps(window), 0.0)


def _alternating(window: Sequence[float], _: float) -> bool:
    steps = _steps(window)
    return all(before * after < 0 for before, after in pairwise(steps))


def _within(window: Sequence[float], sigma: float) -> bool:
    return all(abs(z) < sigma for z in window)


def _beyond(window: Sequence[float], sigma: float) -> bool:
    return all(abs(z) > sigma for z in window)


RUNS: Mapping[str, Callable[[Sequence[float], float], bool]] = MappingProxyType(
    {
        "on one side": _on_one_side,
        "rising or falling": _steadily,
        "alternating": _alternating,
        "within Z sigma": _within,
        "beyond Z sigma on either side": _beyond,
    }
)
"""What the points of a run have in common; Z stands for the number of standard deviations."""

RULE_SETS: Mapping[str, tuple[ControlRule, ...]] = MappingProxyType(
    {
        "shewhart": (BeyondSigma(1, 1, 3),),
        "western electric": (
            BeyondSigma(1, 1, 3), BeyondSigma(2, 3, 2), BeyondSigma(4, 5, 1), RunRule(8, "on one side"),
        ),
        "nelson": (
            BeyondSigma(1, 1, 3), RunRule(9, "on one side"), RunRule(6, "rising or falling"),
            RunRule(14, "alternating"), BeyondSigma(2, 3, 2), BeyondSigma(4, 5, 1), RunRule(15, "within Z sigma", 1),
            RunRule(8, "beyond Z sigma on either side", 1),
        ),
    }
)  # fmt: skip
"""Published sets by name: Shewhart's limits, the Western Electric handbook's four tests, Nelson's eight."""

EXPECTED_RULE = (
    f"{', '.join(RULE_SETS)}, `1 beyond 3 sigma`, `2 of 3 beyond 2 sigma`, `8 in a row on one side`, "
    "`6 in a row rising or falling`, `14 in a row alternating`, `15 in a row within 1 sigma`, "
    "`8 in a row beyond 1 sigma on either side`, `cusum k 0.5 h 5` or `ewma weight 0.2 width 3`"
)
_NUMBER = r"(\d+(?:\.\d+)?)"


def read_rules(text: str) -> tuple[ControlRule, ...]:
    """The rules that words mean: one, or those of a published set.

    Raises
    ------
    Misuse : no rule, or one that no chart, or every chart, would make.

    Examples
    --------
    >>> [rule.words for rule in read_rules("western electric")]
    ['1 beyond 3 sigma', '2 of 3 beyond 2 sigma', '4 of 5 beyond 1 sigma', '8 in a row on one side']
    """
    words = " ".join(text.split()).lower()
    if words in RULE_SETS:
        return RULE_SETS[words]
    for pattern, make in _FORMS.items():
        if match := re.fullmatch(pattern, words):
            return (_checked(make(*match.groups()), text),)
    raise Misuse(f"`{text}` is not a rule of a control chart", expected=EXPECTED_RULE)


def calls_of(points: Iterable[float], rules: Sequence[ControlRule]) -> list[RuleCall]:
    """Every call of some rules on one chart, in order; after each the chart begins anew.

    So a shift that stays is called once per pattern that it makes, and not at every point after the first.
    """
    found: list[RuleCall] = []
    watches = [rule.watch() for rule in rules]
    for index, z in enumerate(points):
        made = [(rule.words, watch.take(z)) for rule, watch in zip(rules, watches, strict=True)]
        called = [RuleCall(words, index, count) for words, count in made if count]
        if called:
            found += called
            watches = [rule.watch() for rule in rules]
    return found


def _beyond_sigma(count: str, of: str | None, sigma: str) -> ControlRule:
    return BeyondSigma(int(count), int(of or count), float(sigma))


def _run(what: str) -> Callable[..., ControlRule]:
    return lambda count, sigma="0": RunRule(int(count), what, float(sigma))


_FORMS: Mapping[str, Callable[..., ControlRule]] = MappingProxyType(
    {
        rf"(\d+)(?: of (\d+))? beyond {_NUMBER} sigma": _beyond_sigma,
        r"(\d+) in a row on one side": _run("on one side"),
        r"(\d+) in a row rising or falling": _run("rising or falling"),
        r"(\d+) in a row alternating": _run("alternating"),
        rf"(\d+) in a row within {_NUMBER} sigma": _run("within Z sigma"),
        rf"(\d+) in a row beyond {_NUMBER} sigma on either side": _run("beyond Z sigma on either side"),
        rf"cusum k {_NUMBER} h {_NUMBER}": lambda k, h: CumulativeSum(float(k), float(h)),
        rf"ewma weight {_NUMBER} width {_NUMBER}": lambda weight, width: WeightedAverage(float(weight), float(width)),
    }
)


def _checked(rule: ControlRule, text: str) -> ControlRule:
    """The rule, if it can call and need not."""
    match rule:
        case BeyondSigma(count, of, sigma):
            is_right = 1 <= count <= of <= LONGEST and 0 < sigma <= WIDEST
        case RunRule(count, what, sigma):
            is_right = 3 <= count <= LONGEST and ("Z" not in what or 0 < sigma <= WIDEST)
        case CumulativeSum(k, h):
            is_right = 0 < k <= WIDEST and 0 < h <= 10 * WIDEST
        case WeightedAverage(weight, width):
            is_right = 0 < weight <= 1 and 0 < width <= WIDEST
        case _:
            is_right = True
    if not is_right:
        raise Misuse(
            f"`{text}` calls always, or never",
            expected=f"K of M beyond Z sigma with K ≤ M ≤ {LONGEST} and Z up to {WIDEST:g}; runs of 3 to {LONGEST}; "
            "k and h above 0; a weight above 0, at most 1",
        )
    return rule
