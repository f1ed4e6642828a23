"""Where the seconds of a run went, in words: one line, and a row per measurement."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

from wavewright.instruments.spent_time import TimePart

if TYPE_CHECKING:
    from wavewright.running.outcome import Outcome

NAMES: Mapping[str, str] = MappingProxyType(
    {
        TimePart.TRIGGER: "waiting for the trigger",
        TimePart.ANSWERS: "settings and answers",
        TimePart.TRANSFER: "transfer of records",
        TimePart.EVALUATION: "evaluation and evidence",
        TimePart.PEOPLE: "waiting for people",
        TimePart.PAUSES: "pauses of the recipe",
        TimePart.REST: "rest",
    }
)
BETWEEN = "before, between and after"  # what belongs to no measurement


def name_of(part: str) -> str:
    """What a part is called; one that only a later version knows, by its key."""
    return NAMES.get(part, part)


def time_line(times: Mapping[str, float]) -> str:
    """The whole, and each part of it; empty where nothing is known.

    Examples
    --------
    >>> time_line({"trigger": 0.5, "transfer": 1.25, "rest": 0.25})
    '2.000 s: waiting for the trigger 0.500 s, transfer of records 1.250 s, rest 0.250 s'
    """
    if not times:
        return ""
    whole = sum(times.values())
    parts = ", ".join(f"{name_of(part)} {shown_seconds(spent, whole)}" for part, spent in times.items())
    return f"{shown_seconds(whole, whole)}: {parts}"


def time_rows(outcome: Outcome) -> Iterator[tuple[str, Mapping[str, float]]]:
    """Each measurement with the parts of its time, and last what belongs to none of them; together the whole."""
    left = dict(outcome.times)
    for one in outcome.measurements:
        if one.times:
            yield one.label, one.times
        for part, spent in one.times.items():
            left[part] = left.get(part, 0.0) - spent
    yield BETWEEN, {part: max(spent, 0.0) for part, spent in left.items()}


def shown_seconds(seconds: float, whole: float) -> str:
    """A part of a whole, with as many decimals as any other part of it, so that the column can be added up."""
    return f"{seconds:.{3 if whole < 10 else 2 if whole < 100 else 1}f} s"
