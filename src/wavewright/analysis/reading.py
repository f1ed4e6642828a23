"""Reading: what a metric found, how well it is known, and what speaks against it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.analysis.doubts import Doubt, Finding
from wavewright.displays import shown_as

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.analysis.uncertainty.budget import Budget

__all__ = ["Doubt", "Finding", "Occurrences", "Reading"]  # the two of doubts.py belong to a reading

_REASON = 80  # characters of a reason in a `repr`


@dataclass(frozen=True, slots=True, eq=False)
class Occurrences:
    """Every single time that a metric found its subject: when, s, and how much, in the reading's unit; shape (n,)."""

    times: npt.NDArray[np.float64]
    values: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, repr=False)
class Reading:
    """A metric's result.

    Parameters
    ----------
    value : in `unit`; None where there was nothing to measure, and then `reason` says why.
    unit : SI unit, "1" for ratios (0 … 1, not per cent), "count" for numbers of things, "number" for plain ones.
    uncertainty : standard uncertainty of `value` from the record itself (scatter, resolution), in `unit`;
        None where it is not known. The instrument's share is in `budget`.
    doubts : coded reasons not to trust the value fully, none twice.
    findings : for each doubt what was found, and how far the true value may lie from this one because of it.
    reason : why there is no value; empty where there is one.
    count, minimum, maximum, standard_deviation : over all occurrences in the record (n − 1 in the last);
        None where the metric has no occurrences or too few.
    occurrences : each of them with its time, where the metric has such.
    at : when, s, the one occurrence was that `value` is of; None where it is of several, or of none.
    budget : everything that makes `value` uncertain, what is stated of the inputs included; None where nothing was
        stated, and then only `uncertainty` is known.
    """

    value: float | None
    unit: str = "1"
    uncertainty: float | None = None
    doubts: tuple[Doubt, ...] = ()
    reason: str = ""
    count: int | None = None
    minimum: float | None = None
    maximum: float | None = None
    standard_deviation: float | None = None
    occurrences: Occurrences | None = field(default=None, compare=False, repr=False)
    at: float | None = None
    findings: tuple[Finding, ...] = ()
    budget: Budget | None = None

    @property
    def doubted(self) -> tuple[Finding, ...]:
        """A finding for each of the doubts; one that nothing more is known about bears on the reading."""
        known = {finding.doubt: finding for finding in self.findings}
        return tuple(known.get(doubt) or Finding(doubt) for doubt in self.doubts)

    @classmethod
    def of_occurrences(
        cls,
        values: npt.ArrayLike,
        *,
        times: npt.ArrayLike,
        unit: str,
        doubts: tuple[Doubt, ...] = (),
        resolution: float = 0.0,
        shared: float = 0.0,
        single: float = 0.0,
    ) -> Reading:
        """The mean of all occurrences, with the uncertainty of a mean (JCGM 100:2008, 4.2.3) and of the resolution.

        Parameters
        ----------
        values : shape (n,), n ≥ 1.
        times : s, shape (n,); when each occurred.
        resolution : half-width of the interval in which one value can lie, taken as rectangular (JCGM 100:2008, 4.3.7).
        shared : standard uncertainty that all values have in common, so that it does not become less in their mean.
        single : standard uncertainty of one value by itself; stands for the scatter where there is only one.
        """
        each = np.asarray(values, dtype=np.float64)
        mean = float(np.add.reduce(each)) / each.size
        spread, scatter = None, single
        if each.size > 1:
            away = each - mean
            away *= away
            spread = math.sqrt(float(np.add.reduce(away)) / (each.size - 1))
            scatter = spread / math.sqrt(each.size)
        uncertainty = math.hypot(scatter, shared, resolution / math.sqrt(3))
        return cls(
            value=mean,
            unit=unit,
            uncertainty=uncertainty if each.size > 1 or uncertainty else None,
            doubts=doubts,
            count=int(each.size),
            minimum=float(each.min()),
            maximum=float(each.max()),
            standard_deviation=spread,
            occurrences=Occurrences(np.asarray(times, dtype=np.float64), each),
        )

    @classmethod
    def of_worst(
        cls,
        values: npt.ArrayLike,
        *,
        times: npt.ArrayLike,
        unit: str,
        largest: bool,
        doubts: tuple[Doubt, ...] = (),
        uncertainty: float | None = None,
    ) -> Reading:
        """The largest or the smallest of all occurrences, and when that one was; the first of equal ones.

        Parameters
        ----------
        values, times : as in `of_occurrences`.
        uncertainty : of one value.
        """
        each, instants = np.asarray(values, dtype=np.float64), np.asarray(times, dtype=np.float64)
        place = int(each.argmax() if largest else each.argmin())
        return cls(
            value=float(each[place]),
            unit=unit,
            uncertainty=uncertainty,
            doubts=doubts,
            count=int(each.size),
            minimum=float(each.min()),
            maximum=float(each.max()),
            standard_deviation=float(each.std(ddof=1)) if each.size > 1 else None,
            occurrences=Occurrences(instants, each),
            at=float(instants[place]),
        )

    def __repr__(self) -> str:
        """Value, unit and what is known about them, in a line of at most about 200 characters."""
        words = [f"{self.value!r}", f"{self.unit!r}"]
        if self.uncertainty is not None:
            words.append(f"uncertainty={self.uncertainty:.4g}")
        if self.count is not None:
            words.append(f"count={self.count}")
        if self.budget is not None:
            words.append(f"budget={self.budget!r}")
        if self.doubts:
            words.append(f"doubts=({', '.join(self.doubts)})")
        if self.reason:
            words.append(f"reason={self.reason if len(self.reason) <= _REASON else f'{self.reason[: _REASON - 1]}…'!r}")
        return f"Reading({', '.join(words)})"

    def _repr_html_(self) -> str:
        """Value, interval and doubts, for notebooks."""
        return shown_as("reading", self)

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and words, for `outcome.json` and `--json`; absent things are left out."""
        plain: dict[str, Any] = {"value": self.value, "unit": self.unit}
        # one by one: a loop over the names takes three times as long, and a batch has hundred thousands of readings
        if self.uncertainty is not None:
            plain["uncertainty"] = self.uncertainty
        if self.count is not None:
            plain["count"] = self.count
        if self.minimum is not None:
            plain["minimum"] = self.minimum
        if self.maximum is not None:
            plain["maximum"] = self.maximum
        if self.standard_deviation is not None:
            plain["standard_deviation"] = self.standard_deviation
        if self.at is not None:
            plain["at"] = self.at
        if self.doubts:
            plain["doubts"] = list(map(str, self.doubts))
        if self.findings:
            plain["findings"] = [finding.as_json() for finding in self.findings]
        if self.budget is not None:
            plain["budget"] = self.budget.as_json()
        if self.reason:
            plain["reason"] = self.reason
        return plain

    @classmethod
    def from_json(cls, plain: Mapping[str, Any]) -> Reading:
        """What `as_json` made this of; those of earlier versions lack what was not known then."""
        read = {
            **plain,
            "doubts": tuple(Doubt(word) for word in plain.get("doubts", ())),
            "findings": tuple(Finding.from_json(found) for found in plain.get("findings", ())),
        }
        if "budget" in plain:
            from wavewright.analysis.uncertainty.budget import Budget

            read["budget"] = Budget.from_json(plain["budget"], value=plain["value"], unit=plain["unit"])
        return cls(**read)
