"""The error queue of an instrument: its entries, and what the standard's codes mean for the person at the bench.

SCPI-99 volume 2, 21.8 (`SYSTem:ERRor?`); the codes †.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from wavewright.buses.search.patterns import Pattern
from wavewright.errors import BadAnswer
from wavewright.instruments.scpi import read_string, shorten

ENTRY_PATTERN = r"^\s*(?P<code>[+-]?\d+)\s*(,\s*(?P<text>.*))?$"
QUEUE_OVERFLOW = -350

# What can be done about the errors of the message exchange itself, which say nothing about any setting.
_EXPLANATIONS = {
    -410: "a message went out before the answer to the query in front of it had been read to its end",
    -420: "an answer was read although nothing had been queried, or the query was not understood",
    -430: "a query was so long, or its answer, that both buffers were full; split the message",
    -440: "another query followed one whose answer ends with the message",
    QUEUE_OVERFLOW: "the queue was full: more errors came than are listed",
}
_CLASSES = (
    (-199, -100, "the instrument did not understand the message"),
    (-299, -200, "the instrument understood, and could not do it in its present state"),
    (-399, -300, "something went wrong in the instrument itself"),
    (-499, -400, "messages and answers got out of step"),
)


@dataclass(frozen=True, slots=True)
class ErrorEntry:
    """One entry of the queue: the code, 0 for none, and the instrument's words."""

    code: int
    text: str

    def __str__(self) -> str:
        return f'{self.code},"{self.text}"'

    @property
    def explanation(self) -> str:
        """What it means, in the words of the bench; empty for a maker's own code."""
        if self.code in _EXPLANATIONS:
            return _EXPLANATIONS[self.code]
        return next((meaning for low, high, meaning in _CLASSES if low <= self.code <= high), "")


def listed(entries: Iterable[ErrorEntry]) -> str:
    """Every entry once, in the order in which they came, with how often: `-200,"Execution error" (20 times)`."""
    counts = Counter(entries)
    return "; ".join(f"{entry} ({count} times)" if count > 1 else str(entry) for entry, count in counts.items())


def read_error_entry(answer: str, pattern: str = ENTRY_PATTERN) -> ErrorEntry:
    """An entry such as `-113,"Undefined header; INP:COUPL"`.

    Parameters
    ----------
    pattern : regular expression with a group `code` and, where there is one, a group `text`.

    Raises
    ------
    BadAnswer : the answer does not match.
    """
    match = Pattern(pattern).match(answer)
    if match is None:
        raise BadAnswer(f"`{shorten(answer)}` is not an entry of an error queue", expected='such as 0,"No error"')
    words = match.groups.get("text") or ""
    try:
        return ErrorEntry(int(match.groups["code"] or ""), read_string(words))
    except (BadAnswer, ValueError):
        raise BadAnswer(
            f"`{shorten(answer)}` is not an entry of an error queue", expected='such as 0,"No error"'
        ) from None
