"""A reading together with what it was read from: the channels, and what is known about the way of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from wavewright.analysis.doubts import Doubt, Finding, Reads
from wavewright.analysis.front_end.front_end import FrontEnd
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey

ENOUGH = 3.0  # standard uncertainties


@dataclass(frozen=True, slots=True)
class Read:
    """One reading, and what it was read from.

    Parameters
    ----------
    surveys, front_ends : of its channels, in the same order.
    parts : what the metric reads of them; options : of the metric, by the name of the argument.
    metric : its name; empty where no metric of the catalogue made the reading.
    """

    reading: Reading
    surveys: Sequence[Survey]
    parts: frozenset[Reads]
    options: Mapping[str, Any] = field(default_factory=dict)
    front_ends: Sequence[FrontEnd | None] = ()
    metric: str = ""

    @property
    def pairs(self) -> list[tuple[Survey, FrontEnd | None]]:
        """Each channel with what is known about its way."""
        return list(zip(self.surveys, self.front_ends or [None] * len(self.surveys), strict=True))

    def bears(self, doubt: Doubt) -> bool:
        """Whether the metric reads what the doubt is about."""
        return Reads.ANYTHING in self.parts or bool(self.parts & doubt.bears_on)

    def uncertain(self, doubt: Doubt, text: str) -> Finding:
        """A finding that matters within 3 standard uncertainties; everywhere where none is known."""
        known = self.reading.uncertainty
        return Finding(doubt, text) if known is None else Finding.within(doubt, text, ENOUGH * known)
