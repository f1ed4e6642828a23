"""Pareto order: which failures are the many, which the few."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ParetoRow:
    """One cause: how often, its share of all, and the share of it and all more frequent ones together."""

    cause: str
    count: int
    share: float
    cumulative: float


def pareto(causes: Iterable[str]) -> tuple[ParetoRow, ...]:
    """Causes by falling count, those of equal count by name."""
    counts = Counter(causes)
    total = counts.total()
    rows: list[ParetoRow] = []
    running = 0
    for cause, count in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        running += count
        rows.append(ParetoRow(cause, count, count / total, running / total))
    return tuple(rows)
