"""Proportions with their confidence intervals: yields, and shares of failed units."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import asdict, dataclass
from types import MappingProxyType
from typing import Annotated, Literal

from wavewright.errors import Misuse
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter, entries, points, reading_names
from wavewright.logbook.studies.catalogue import StudyOption, StudyResult, run_study
from wavewright.logbook.studies.pareto import pareto
from wavewright.logbook.unit_verdicts import unit_results
from wavewright.nearest import unknown

INTERVALS: Mapping[str, Literal["exact", "wilson"]] = MappingProxyType({"exact": "exact", "score": "wilson"})
"""Confidence intervals of a proportion by name, as SciPy calls them.

`exact` (Clopper–Pearson) never covers less often than it says, which makes it the one for a yield; `score` (Wilson) is
shorter, and right on average.
"""


@dataclass(frozen=True, slots=True)
class Proportion:
    """A counted share with the ends of its two-sided confidence interval; all between 0 and 1."""

    count: int
    total: int
    value: float
    low: float
    high: float


def proportion(count: int, total: int, *, confidence: float = 0.95, interval: str = "exact") -> Proportion:
    """A counted proportion with one of the `INTERVALS`.

    Raises
    ------
    Misuse : counts or a confidence that make no sense, an unknown interval.
    """
    from scipy.stats import binomtest

    if not 0 <= count <= total or total == 0:
        raise Misuse(f"{count} out of {total}", expected="a count from 0 to a total of at least 1")
    if not 0 < confidence < 1:
        raise Misuse(f"confidence {confidence:g}", expected="a number between 0 and 1, such as 0.95")
    if interval not in INTERVALS:
        raise unknown(f"interval `{interval}`", interval, INTERVALS)
    ends = binomtest(count, total).proportion_ci(confidence, INTERVALS[interval])
    return Proportion(count, total, count / total, float(ends.low), float(ends.high))


def first_pass_yield(
    units: Sequence[tuple[Hashable, bool]], *, confidence: float = 0.95, interval: str = "exact"
) -> Proportion:
    """Share of units whose first run passed; later runs of the same unit do not count.

    Parameters
    ----------
    units : serial number and whether that run passed, in the order of the runs.

    Raises
    ------
    Misuse : there is no run.
    """
    first = dict(reversed(units))
    return proportion(sum(first.values()), len(first), confidence=confidence, interval=interval)


def final_yield(
    units: Sequence[tuple[Hashable, bool]], *, confidence: float = 0.95, interval: str = "exact"
) -> Proportion:
    """Share of units whose last run passed; as `first_pass_yield`."""
    last = dict(units)
    return proportion(sum(last.values()), len(last), confidence=confidence, interval=interval)


@run_study("yield", example="wavewright study yield --batch-name lot-7")
def yield_of_runs(
    book: Logbook,
    which: Filter,
    *,
    interval: Annotated[str, StudyOption("Confidence interval: exact (Clopper–Pearson) or score (Wilson).")] = "exact",
) -> StudyResult:
    """First-pass and final yield, and the Pareto of failures.

    Each yield with its confidence interval. The final yield counts units that have passed by the rule for retests of
    their recipe, without one in their last run, and that are not in quarantine.

    Raises
    ------
    Misuse : there is no run.
    """
    runs = entries(book, which)[::-1]
    if not runs:
        raise no_runs()
    units = unit_results(book, runs)
    shares = {
        "first-pass yield": first_pass_yield(
            [(one.serial, one.runs[0].verdict == "pass") for one in units], interval=interval
        ),
        "final yield": final_yield([(one.serial, one.is_good) for one in units], interval=interval),
    }
    failures = pareto(
        name for name in reading_names(book) for point in points(book, name, which) if point.verdict == "fail"
    )
    plain = {name.replace(" ", "_").replace("-", "_"): asdict(one) for name, one in shares.items()}
    return StudyResult(
        {**plain, "failures": [asdict(row) for row in failures]},
        (
            *(
                f"{name}: {100 * one.value:.1f} % ({one.count} of {one.total} units; "
                f"95 % interval {100 * one.low:.1f} … {100 * one.high:.1f} %)"
                for name, one in shares.items()
            ),
            *(f"{row.cause}: failed {row.count}, cumulative {100 * row.cumulative:.0f} %" for row in failures),
        ),
    )


def no_runs() -> Misuse:
    """What a study over runs says where a filter leaves none."""
    expected = "at least one run that matches the filters"
    return Misuse("no runs", expected=expected, do="`wavewright logbook list` shows them")
