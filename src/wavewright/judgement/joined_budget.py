"""The budget of a value that is joined from several shots: what they have in common does not average out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.uncertainty.budget import Budget, combined
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.analysis.reading import Reading

Numbers: TypeAlias = "npt.NDArray[np.float64]"


def joined_budget(
    readings: Sequence[Reading], joined: Reading, weights: Numbers, *, is_mean: bool, is_one_shot: bool
) -> Budget | None:
    """The budget of the joined value; None where one of the shots has none.

    Systematic contributions of all shots are one and the same error: they add with their signs and weights. What is
    random scatters between the shots, and that scatter is what counts; where the shots scatter by less than each of
    them states, as codes do that never change, the difference is common to all of them and stays (JCGM 100:2008, 5.2).

    Parameters
    ----------
    joined : the joined reading, with the standard uncertainty of its random part.
    weights : partial derivative of the joined value by the value of each shot, shape (n,).
    is_mean, is_one_shot : what the random part of the result is made of: the mean, one of the shots, or something else.
    """
    budgets = [reading.budget for reading in readings]
    if joined.value is None or any(budget is None for budget in budgets):
        return None
    known = [budget for budget in budgets if budget is not None]
    parts = [(float(weight), budget) for weight, budget in zip(weights, known, strict=True) if weight]
    if is_one_shot:
        (_, own), *_ = parts
        return replace(own, value=joined.value)
    systematic = [(weight, _signed(_of(budget, is_keyed=True))) for weight, budget in parts]
    bounds = {one.key for budget in known for one in budget.contributions if one.is_bound}
    common = combined(joined.value, joined.unit, systematic)
    common = replace(
        common,
        contributions=tuple(replace(one, is_bound=True) if one.key in bounds else one for one in common.contributions),
    )
    random, missing = _scatter_of_mean(readings, known) if is_mean else _stated(joined)
    return Budget(joined.value, joined.unit, (*common.contributions, *random), (*common.missing, *missing))


def _signed(budget: Budget) -> Budget:
    """The same with bounds as errors that have a sign: of one reading they are one and the same in all shots."""
    return replace(budget, contributions=tuple(replace(one, is_bound=False) for one in budget.contributions))


def _of(budget: Budget, *, is_keyed: bool) -> Budget:
    """The contributions that have the identity of a cause, or those that have none."""
    return replace(budget, contributions=tuple(one for one in budget.contributions if bool(one.key) is is_keyed))


def _scatter_of_mean(readings: Sequence[Reading], budgets: Sequence[Budget]) -> tuple[list[Contribution], list[str]]:
    values = np.array([reading.value for reading in readings], dtype=np.float64)
    scatter = float(values.std(ddof=1))
    stated = float(np.mean([square(_of(budget, is_keyed=False).standard) for budget in budgets]))
    found = []
    if scatter:
        found.append(
            Contribution(
                "scatter of the shots",
                scatter / math.sqrt(values.size),
                distribution=Distribution.T,
                degrees_of_freedom=values.size - 1,
                source=f"{values.size} shots",
            )
        )
    if stated > square(scatter):
        rest = math.sqrt(stated - square(scatter))
        found.append(Contribution("noise and resolution common to the shots", rest, source="the records"))
    return found, []


def _stated(joined: Reading) -> tuple[list[Contribution], list[str]]:
    if joined.uncertainty is None:
        return [], ["scatter of the shots"]
    return [Contribution("scatter of the shots", joined.uncertainty, source=f"{joined.count} shots")], []
