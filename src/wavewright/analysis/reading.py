"""Reading: what a metric found, how well it is known, and what speaks against it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt


class Doubt(StrEnum):
    """A coded reason not to trust a reading fully. Adding one is one line here."""

    CLIPPED = "clipped"  # samples on the lowest or highest code of the converter
    FEW_CYCLES = "few_cycles"  # fewer than 10 periods
    FEW_SAMPLES = "few_samples"  # fewer than 5 samples on the transition or pulse that was measured
    FEW_CODES = "few_codes"  # the signal covers fewer than 20 codes
    INVALID_SAMPLES = "invalid_samples"  # NaN in the record, left out
    NO_STATES = "no_states"  # the levels found are not levels that the waveform dwells at
    NOISY = "noisy"  # noise comparable with what was measured
    NOT_SETTLED = "not_settled"  # the record ends before the waveform has settled
    UNDERSAMPLED = "undersampled"  # fewer than 4 samples a period
    CUT_SHORT = "cut_short"  # the measurement broke off before all of its shots were taken
    NOT_TRIGGERED = "not_triggered"  # an automatic trigger that was forced


@dataclass(frozen=True, slots=True, eq=False)
class Occurrences:
    """Every single time that a metric found its subject: when, s, and how much, in the reading's unit; shape (n,)."""

    times: npt.NDArray[np.float64]
    values: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Reading:
    """A metric's result.

    Parameters
    ----------
    value : in `unit`; None where there was nothing to measure, and then `reason` says why.
    unit : SI unit, "1" for ratios (0 … 1, not per cent), "count" for numbers of things, "number" for plain ones.
    uncertainty : standard uncertainty of `value` from the record itself (scatter, resolution), in `unit`;
        None where it is not known. The instrument's share is added in judgement.
    doubts : coded reasons not to trust the value fully, none twice.
    reason : why there is no value; empty where there is one.
    count, minimum, maximum, standard_deviation : over all occurrences in the record (n − 1 in the last);
        None where the metric has no occurrences or too few.
    occurrences : each of them with its time, where the metric has such.
    at : when, s, the one occurrence was that `value` is of; None where it is of several, or of none.
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

    @classmethod
    def of_occurrences(
        cls,
        values: npt.ArrayLike,
        *,
        times: npt.ArrayLike,
        unit: str,
        doubts: tuple[Doubt, ...] = (),
        resolution: float = 0.0,
    ) -> Reading:
        """The mean of all occurrences, with the uncertainty of a mean (JCGM 100:2008, 4.2.3) and of the resolution.

        Parameters
        ----------
        values : shape (n,), n ≥ 1.
        times : s, shape (n,); when each occurred.
        resolution : half-width of the interval in which one value can lie, taken as rectangular (JCGM 100:2008, 4.3.7).
        """
        each = np.asarray(values, dtype=np.float64)
        spread = float(each.std(ddof=1)) if each.size > 1 else None
        scatter = 0.0 if spread is None else spread / np.sqrt(each.size)
        uncertainty = float(np.hypot(scatter, resolution / np.sqrt(3)))
        return cls(
            value=float(each.mean()),
            unit=unit,
            uncertainty=uncertainty if each.size > 1 or resolution else None,
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

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and words, for `outcome.json` and `--json`; absent things are left out."""
        plain: dict[str, Any] = {"value": self.value, "unit": self.unit}
        for name in ("uncertainty", "count", "minimum", "maximum", "standard_deviation", "at"):
            if (number := getattr(self, name)) is not None:
                plain[name] = number
        if self.doubts:
            plain["doubts"] = [str(doubt) for doubt in self.doubts]
        if self.reason:
            plain["reason"] = self.reason
        return plain
