"""Rules that count: how many units in a row, or of the last ones, did not pass."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from wavewright.errors import Misuse
from wavewright.judgement.control_rules import LONGEST, RuleCall

EXPECTED_COUNT = "`3 in a row`, or `5 of the last 20`"


@dataclass(frozen=True, slots=True)
class CountingRule:
    """`count` of the last `of` units; `3 in a row` is 3 of the last 3."""

    count: int
    of: int

    @property
    def words(self) -> str:
        """As a recipe says it."""
        return f"{self.count} in a row" if self.count == self.of else f"{self.count} of the last {self.of}"

    def calls(self, counted: Iterable[bool]) -> list[RuleCall]:
        """Every call on units in order, each counted or not; after a call it counts anew."""
        found = []
        window: deque[bool] = deque(maxlen=self.of)
        for index, one in enumerate(counted):
            window.append(one)
            if one and sum(window) >= self.count:
                found.append(RuleCall(self.words, index, len(window) - list(window).index(True)))
                window.clear()
        return found


def read_counting(text: str) -> CountingRule:
    """The rule that words mean.

    Raises
    ------
    Misuse : none, or a count that no units can reach.

    Examples
    --------
    >>> read_counting("3 in a row").words, read_counting("5 of the last 20").words
    ('3 in a row', '5 of the last 20')
    """
    words = " ".join(text.split()).lower()
    if match := re.fullmatch(r"(\d+) in a row", words):
        rule = CountingRule(int(match[1]), int(match[1]))
    elif match := re.fullmatch(r"(\d+) of the last (\d+)", words):
        rule = CountingRule(int(match[1]), int(match[2]))
    else:
        raise Misuse(f"`{text}` does not say how many units", expected=EXPECTED_COUNT)
    if not 1 <= rule.count <= rule.of <= LONGEST:
        raise Misuse(f"`{text}` is never reached", expected=f"{EXPECTED_COUNT}, of the last {LONGEST} at most")
    return rule
