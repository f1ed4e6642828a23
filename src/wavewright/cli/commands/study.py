"""`wavewright study`: statistics over many runs: capability, gauge, days, linearity, tolerance limits, yield."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.options import LogbookAt
from wavewright.cli.output import AsJson, print_json
from wavewright.cli.run_filter import (
    BatchName,
    Part,
    RecipeName,
    Serial,
    Since,
    Until,
    WithSimulated,
    real_runs,
    run_filter,
)
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.logbook.queries import Point

commands = typer.Typer(help="Statistics over many runs: capability, gauge, yield, limits.", no_args_is_help=True)

Reading = Annotated[str, typer.Argument(metavar="READING", help="Such as `rail_noise.ripple`.")]


@commands.command()
def capability(
    reading: Reading,
    *,
    target: Annotated[float | None, typer.Option(help="Target value, in the reading's SI unit, for Cpm.")] = None,
    part: Part = None,
    recipe: RecipeName = None,
    batch_name: BatchName = None,
    since: Since = None,
    until: Until = None,
    simulated: WithSimulated = False,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Capability of a reading: Cp, Cpk and Cpm.

    The limit is that of the newest run.
    """
    from wavewright.logbook.studies.capability import capability as study

    found, unit = _points(
        logbook, reading, part=part, recipe=recipe, batch=batch_name, since=since, until=until, simulated=simulated
    )
    low, high = found[-1].low, found[-1].high
    if low is None and high is None:
        raise Misuse(f"`{reading}` has no limit in its newest run", do="give it one in the recipe, and recompute")
    ends = {"low": -float("inf") if low is None else low, "high": float("inf") if high is None else high}
    result = study(_values(found), **ends, target=target)
    _tell(
        as_json,
        {"reading": reading, "unit": unit, **asdict(result)},
        f"{result.count} readings, mean {_shown(result.mean, unit)}, s {_shown(result.standard_deviation, unit)}",
        *(f"{name} {_index(value)}" for name, value in (("Cp", result.cp), ("Cpk", result.cpk), ("Cpm", result.cpm))),
        f"Cpk, 95 % interval {_interval(result.cpk_interval)}",
        f"expected out of limits: {1e6 * result.fraction_outside:.0f} ppm, if normally distributed",
    )


@commands.command()
def gauge(
    reading: Reading,
    *,
    part: Part = None,
    recipe: RecipeName = None,
    batch_name: BatchName = None,
    since: Since = None,
    until: Until = None,
    simulated: WithSimulated = False,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Gauge study of a reading: %GRR, P/T ratio, ndc.

    By analysis of variance over the runs in the logbook: units by operators by trials.
    """
    from wavewright.logbook.studies.gauge import gauge_study
    from wavewright.logbook.studies.tables import gauge_table

    found, unit = _points(
        logbook, reading, part=part, recipe=recipe, batch=batch_name, since=since, until=until, simulated=simulated
    )
    table, units, operators = gauge_table(found)
    low, high = found[-1].low, found[-1].high
    result = gauge_study(table, width=high - low if low is not None and high is not None else None)
    parts = ("repeatability", "reproducibility", "gauge", "units", "total")
    share = result.tolerance_share
    _tell(
        as_json,
        {"reading": reading, "unit": unit, "serials": units, "operators": operators, **asdict(result)},
        f"{len(units)} units, {len(operators)} operators, {table.shape[2]} trials",
        *(f"{name}: s {_shown(getattr(result, name), unit)}" for name in parts),
        f"%GRR of total variation: {100 * result.gauge_share:.1f} %",
        f"P/T ratio (6 s): {'–' if share is None else f'{100 * share:.1f} %'}",
        *_categories(result.distinct_categories),
    )


def _categories(count: int | None) -> list[str]:
    if count is not None:
        return [f"number of distinct categories (ndc): {count}"]
    return [
        "no variation: every trial of a unit gave the same value, so this says nothing about the gauge;",
        "on a simulated bench leave --seed out, so that noise is drawn anew in each run",
    ]


@commands.command()
def days(
    reading: Reading,
    *,
    part: Part = None,
    serial: Serial = None,
    recipe: RecipeName = None,
    batch_name: BatchName = None,
    since: Since = None,
    until: Until = None,
    simulated: WithSimulated = False,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Compare the days on which a reading was taken.

    Whether it differs between days (UTC) by more than it scatters within one, and the uncertainty of its mean.
    """
    from wavewright.logbook.studies.groups import group_study
    from wavewright.logbook.studies.tables import day_table

    found, unit = _points(
        logbook,
        reading,
        part=part,
        serial=serial,
        recipe=recipe,
        batch=batch_name,
        since=since,
        until=until,
        simulated=simulated,
    )
    table = day_table(found)
    result = group_study(list(table.values()))
    chance = "" if result.p is None else f", p {result.p:.3g}"
    _tell(
        as_json,
        {"reading": reading, "unit": unit, "days": list(table), **asdict(result)},
        f"{result.groups} days, {result.size} readings on each: mean {_shown(result.mean, unit)}",
        f"within a day: s {_shown(result.within, unit)}",
        f"between days: s {_shown(result.between, unit)}{chance}",
        f"standard uncertainty of the mean, from the days' means: {_shown(result.uncertainty, unit)}",
        f"the same if the days are alike: {_shown(result.pooled_uncertainty, unit)}",
    )


@commands.command()
def linearity(
    reading: Reading,
    *,
    truth: Annotated[Path, typer.Option(help="CSV with the columns `serial` and `value`, in SI units.")],
    since: Since = None,
    until: Until = None,
    simulated: WithSimulated = False,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Bias and linearity against units of known value."""
    from wavewright.logbook.studies.linearity import linearity as study
    from wavewright.logbook.studies.tables import read_truths, truth_table

    truths = read_truths(truth)
    found, unit = _points(
        logbook,
        reading,
        since=since,
        until=until,
        simulated=simulated,
    )
    result = study(*truth_table(found, truths))
    _tell(
        as_json,
        {"reading": reading, "unit": unit, **asdict(result)},
        *(f"at {_shown(row.truth, unit)}: bias {_shown(row.bias, unit)}, p {row.p:.3g}" for row in result.biases),
        f"slope {result.slope:.4g} ± {result.slope_uncertainty:.2g}, p {result.slope_p:.3g}",
        f"intercept {_shown(result.intercept, unit)}, p {result.intercept_p:.3g}",
    )


@commands.command()
def limits(
    reading: Reading,
    *,
    share: Annotated[
        float, typer.Option(min=0.5, max=0.9999, help="Share of all units that must lie inside the limits.")
    ] = 0.95,
    confidence: Annotated[float, typer.Option(min=0.5, max=0.9999, help="Confidence that they do.")] = 0.95,
    side: Annotated[str, typer.Option(help="both, lower or upper.")] = "both",
    part: Part = None,
    serial: Serial = None,
    batch_name: BatchName = None,
    since: Since = None,
    until: Until = None,
    simulated: WithSimulated = False,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Propose a limit from the readings of golden units.

    It is a tolerance interval, both normal and distribution-free.
    """
    from wavewright.logbook.studies.tolerance import any_distribution_tolerance, normal_tolerance

    found, unit = _points(
        logbook, reading, part=part, serial=serial, batch=batch_name, since=since, until=until, simulated=simulated
    )
    values = _values(found)
    how = {"share": share, "confidence": confidence, "side": side}
    normal = normal_tolerance(values, **how)  # type: ignore[arg-type]
    lines = [f"normal tolerance interval ({normal.method}): `limit: {_limit(normal.low, normal.high, unit)}`"]
    plain: dict[str, Any] = {"reading": reading, "unit": unit, "normal": _ends(normal), "any": None}
    try:
        free = any_distribution_tolerance(values, **how)  # type: ignore[arg-type]
    except Misuse as few:
        lines.append(f"distribution-free tolerance interval: {few.what}; {few.expected}")
    else:
        plain["any"] = _ends(free)
        lines.append(
            f"distribution-free tolerance interval ({free.method}): `limit: {_limit(free.low, free.high, unit)}`"
        )
    _tell(as_json, plain, f"{len(values)} readings", *lines)


@commands.command("yield")
def first_pass(
    part: Part = None,
    recipe: RecipeName = None,
    batch_name: BatchName = None,
    *,
    since: Since = None,
    until: Until = None,
    simulated: WithSimulated = False,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """First-pass and final yield, and the Pareto of failures.

    Each yield with its confidence interval.
    """
    from wavewright.logbook.book import Logbook
    from wavewright.reporting.batch import study_batch

    which = run_filter(part=part, recipe=recipe, batch=batch_name, since=since, until=until)
    with Logbook.existing(logbook) as book:
        study = study_batch(book, real_runs(book, which, simulated=simulated))
    shares = {"first-pass yield": study.first_pass, "final yield": study.final}
    _tell(
        as_json,
        {**{name.replace(" ", "_").replace("-", "_"): asdict(one) for name, one in shares.items()},
         "failures": [asdict(row) for row in study.pareto]},
        *(
            f"{name}: {100 * one.value:.1f} % ({one.count} of {one.total} units; "
            f"95 % interval {100 * one.low:.1f} … {100 * one.high:.1f} %)"
            for name, one in shares.items()
        ),
        *(f"{row.cause}: failed {row.count}, cumulative {100 * row.cumulative:.0f} %" for row in study.pareto),
    )  # fmt: skip


def _points(logbook: str | None, reading: str, *, simulated: bool, **which: str | None) -> tuple[list[Point], str]:
    """The readings that the filters leave, oldest first, and their unit."""
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.queries import points, reading_names

    with Logbook.existing(logbook) as book:
        found = points(book, reading, real_runs(book, run_filter(**which), simulated=simulated))
        unit = reading_names(book).get(reading, "")
    if not any(point.value is not None for point in found):
        raise Misuse(f"no reading `{reading}` with a value matches the filters", do="widen them")
    return found, unit


def _values(found: Iterable[Point]) -> list[float]:
    return [point.value for point in found if point.value is not None]


def _tell(as_json: bool, plain: dict[str, Any], *lines: str) -> None:
    if as_json:
        print_json(plain)
    else:
        print(*lines, sep="\n")


def _shown(value: float, unit: str) -> str:
    from wavewright.quantities import show_quantity

    return show_quantity(value, unit)


def _index(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}"


def _interval(ends: tuple[float, float] | None) -> str:
    return "–" if ends is None else f"{ends[0]:.2f} … {ends[1]:.2f}"


def _limit(low: float, high: float, unit: str) -> str:
    if low == -float("inf"):
        return f"at most {_shown(high, unit)}"
    return f"at least {_shown(low, unit)}" if high == float("inf") else f"{_shown(low, unit)} .. {_shown(high, unit)}"


def _ends(interval: Any) -> dict[str, Any]:
    ends = {
        name: value if abs(value) != float("inf") else None
        for name, value in (("low", interval.low), ("high", interval.high))
    }
    return {**ends, "method": interval.method}
