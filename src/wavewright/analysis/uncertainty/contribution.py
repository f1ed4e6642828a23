"""Contribution: one cause that makes a reading uncertain, and by how much."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.errors import Misuse


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget (JCGM 100:2008, 5.1 and annex H).

    Parameters
    ----------
    name : what it is, in the trade's words.
    standard : standard uncertainty that it makes in the reading, in the reading's unit: the sensitivity times the
        standard uncertainty of the cause. Signed: it says which way the reading goes when the cause goes up.
    key : identity of the cause, such as `digitizer:input1:gain`. Contributions with the same key are one and the same
        unknown error, and correlate fully; those without a key are independent of all others.
    distribution : of the cause.
    sensitivity : change of the reading per change of the cause; None where the cause is in the reading's unit already.
    degrees_of_freedom : of `standard`; infinite where it was not estimated from a few values.
    is_bound : not even the sign of the error is known, and it is another one at another level: two of one key are added
        by their amounts, as if they went the worse way, and never leave each other.
    source : where the figure comes from, in words.

    Raises
    ------
    Misuse : a standard uncertainty that is not finite, or fewer than one degree of freedom.
    """

    name: str
    standard: float
    key: str = ""
    distribution: Distribution = Distribution.NORMAL
    sensitivity: float | None = None
    degrees_of_freedom: float = math.inf
    source: str = ""
    is_bound: bool = False

    def __post_init__(self) -> None:
        if not math.isfinite(self.standard):
            raise Misuse(f"contribution `{self.name}`: standard uncertainty {self.standard:g}", expected="a number")
        if not self.degrees_of_freedom >= 1:
            raise Misuse(
                f"contribution `{self.name}`: {self.degrees_of_freedom:g} degrees of freedom", expected="at least 1"
            )
        object.__setattr__(self, "distribution", Distribution(self.distribution))

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and words; what is as usual is left out."""
        plain: dict[str, Any] = {"name": self.name, "standard": self.standard, "distribution": str(self.distribution)}
        if self.key:
            plain["key"] = self.key
        if self.sensitivity is not None:
            plain["sensitivity"] = self.sensitivity
        if math.isfinite(self.degrees_of_freedom):
            plain["degrees_of_freedom"] = self.degrees_of_freedom
        if self.source:
            plain["source"] = self.source
        if self.is_bound:
            plain["is_bound"] = True
        return plain

    @classmethod
    def from_json(cls, plain: dict[str, Any]) -> Contribution:
        """What `as_json` made this of."""
        return cls(**plain)
