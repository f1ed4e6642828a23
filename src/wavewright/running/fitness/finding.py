"""What an examination finds about one limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from wavewright.errors import Place
from wavewright.running.fitness.rules import FitnessRule


@dataclass(frozen=True, slots=True)
class FitnessFinding:
    """One thing about a set-up that bears on a limit.

    Parameters
    ----------
    rule : the rule that it breaks.
    what : what was found, with its number.
    number : the number that the rule is about, in `unit`; None where it is not stated.
    cannot_decide : no reading with this set-up can tell a good unit from a bad one by this limit.
    label, name : of the measurement, and of the reading in it.
    place : of the reading in the recipe.
    """

    rule: FitnessRule
    what: str
    number: float | None
    unit: str = "1"
    cannot_decide: bool = False
    label: str = ""
    name: str = ""
    place: Place | None = None

    @property
    def sentence(self) -> str:
        """What was found about which limit, and what mends it."""
        weight = "this set-up cannot decide the limit: " if self.cannot_decide else ""
        return f"{self.label}.{self.name}: {weight}{self.what}; {self.rule.cure}"

    @property
    def told(self) -> str:
        """The same with the rule and its source in a line below."""
        return f"FITNESS: {self.sentence}\n  rule `{self.rule}`: {self.rule.asks} ({self.rule.source})"

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and words."""
        return {
            "limit": f"{self.label}.{self.name}",
            "rule": str(self.rule),
            "cannot_decide": self.cannot_decide,
            "what": self.what,
            "number": self.number,
            "unit": self.unit,
            "asks": self.rule.asks,
            "source": self.rule.source,
            "do": self.rule.cure,
            "where": str(self.place or ""),
        }
