"""Bias and linearity of a gauge against units of known value."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated

import numpy as np

from wavewright.errors import Misuse
from wavewright.logbook.studies.catalogue import StudiedReading, StudyOption, StudyResult, reading_study
from wavewright.logbook.studies.tables import read_truths, truth_table


@dataclass(frozen=True, slots=True)
class Bias:
    """Mean deviation from one known value, with its standard uncertainty and the chance of so much without any bias."""

    truth: float
    count: int
    bias: float
    uncertainty: float
    p: float


@dataclass(frozen=True, slots=True)
class Linearity:
    """The least-squares line of the deviation over the known value: deviation = intercept + slope · truth.

    `slope_p`, `intercept_p` : chance of so much if it were 0; a gauge is linear where neither is small.
    """

    biases: tuple[Bias, ...]
    slope: float
    slope_uncertainty: float
    slope_p: float
    intercept: float
    intercept_uncertainty: float
    intercept_p: float
    explained: float


def bias(values: Sequence[float], truth: float) -> Bias:
    """Mean of the values less the known one, tested with Student's t.

    Raises
    ------
    Misuse : fewer than two values.
    """
    from scipy.stats import t

    each = np.asarray(values, dtype=np.float64)
    if each.size < 2:
        raise Misuse(f"{each.size} values for the known value {truth:g}", expected="at least 2")
    deviation = float(each.mean()) - truth
    uncertainty = float(each.std(ddof=1)) / math.sqrt(each.size)
    chance = float(2 * t.sf(abs(deviation) / uncertainty, each.size - 1)) if uncertainty else float(deviation == 0)
    return Bias(truth, int(each.size), deviation, uncertainty, chance)


def linearity(values: Sequence[Sequence[float]], truths: Sequence[float]) -> Linearity:
    """Bias at each known value, and the line through all deviations.

    As in the measurement systems analysis literature (Automotive Industry Action Group, Measurement Systems
    Analysis, 4th edition, chapter III †).

    Parameters
    ----------
    values : for each known value, its measured values.
    truths : the known values, at least two different ones.

    Raises
    ------
    Misuse : not as many rows as known values, or all known values equal.
    """
    from scipy.stats import linregress, t

    if len(values) != len(truths) or len(set(truths)) < 2:
        raise Misuse(
            f"{len(values)} rows of values for {len(set(truths))} different known values",
            expected="one row for each of at least 2 known values",
        )
    x = np.concatenate([np.full(len(row), truth) for row, truth in zip(values, truths, strict=True)])
    y = np.concatenate([np.asarray(row, dtype=np.float64) for row in values]) - x
    line = linregress(x, y)
    left = y.size - 2
    intercept_t = abs(line.intercept / line.intercept_stderr) if line.intercept_stderr else math.inf
    return Linearity(
        biases=tuple(bias(row, truth) for row, truth in zip(values, truths, strict=True)),
        slope=float(line.slope),
        slope_uncertainty=float(line.stderr),
        slope_p=float(line.pvalue),
        intercept=float(line.intercept),
        intercept_uncertainty=float(line.intercept_stderr),
        intercept_p=float(2 * t.sf(intercept_t, left)),
        explained=float(line.rvalue**2),
    )


@reading_study("linearity", example="wavewright study linearity rail_noise.ripple --truth known.csv")
def linearity_of_reading(
    reading: StudiedReading,
    *,
    truth: Annotated[Path, StudyOption("CSV with the columns `serial` and `value`, in SI units.")],
) -> StudyResult:
    """Bias and linearity against units of known value.

    Raises
    ------
    FileFault : the file with the known values cannot be read.
    Misuse : a unit of known value has fewer than two readings.
    """
    found = linearity(*truth_table(reading.points, read_truths(truth)))
    shown = reading.shown
    return StudyResult(
        asdict(found),
        (
            *(f"at {shown(row.truth)}: bias {shown(row.bias)}, p {row.p:.3g}" for row in found.biases),
            f"slope {found.slope:.4g} ± {found.slope_uncertainty:.2g}, p {found.slope_p:.3g}",
            f"intercept {shown(found.intercept)}, p {found.intercept_p:.3g}",
        ),
    )
