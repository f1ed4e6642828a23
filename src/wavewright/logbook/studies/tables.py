"""Readings of the logbook arranged as a study needs them."""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC
from pathlib import Path

import numpy as np
import numpy.typing as npt

from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.located_yaml import read_text
from wavewright.logbook.queries import Point

LARGEST_TABLE = 1 << 24  # bytes of known values


def gauge_table(points: Iterable[Point]) -> tuple[npt.NDArray[np.float64], tuple[str, ...], tuple[str, ...]]:
    """Readings by unit, operator and trial, with the serial numbers and the operators in order.

    Trials are taken in the order of time; where some have been measured more often, the first ones count.

    Raises
    ------
    Misuse : a unit that an operator has not measured at least twice, and not as often as the others; says which.
    """
    cells: dict[tuple[str, str], list[float]] = defaultdict(list)
    for point in points:
        if point.value is not None:
            cells[point.serial, point.operator].append(point.value)
    units = tuple(sorted({unit for unit, _ in cells}))
    operators = tuple(sorted({operator for _, operator in cells}))
    counts = {(unit, operator): len(cells[unit, operator]) for unit in units for operator in operators}
    trials = max(2, min((count for count in counts.values() if count), default=0))
    lacking = [
        f"{unit} by {operator or 'no operator'}: {count}"
        for (unit, operator), count in counts.items()
        if count < trials
    ]
    if lacking or len(units) < 2 or len(operators) < 2:
        raise Misuse(
            f"{len(units)} units and {len(operators)} operators"
            + (f"; too few trials of {', '.join(lacking[:6])}" if lacking else ""),
            expected=f"at least 2 units and 2 operators, each unit measured by each operator {trials} times",
            do="measure what is missing: `wavewright run … --serial UNIT --operator NAME`",
        )
    table = np.array([[cells[unit, operator][:trials] for operator in operators] for unit in units])
    return table, units, operators


def truth_table(points: Iterable[Point], truths: Mapping[str, float]) -> tuple[list[list[float]], list[float]]:
    """For each unit of known value its readings, in the order of the known values.

    Raises
    ------
    Misuse : a unit of known value has fewer than two readings.
    """
    found: dict[str, list[float]] = defaultdict(list)
    for point in points:
        if point.value is not None:
            found[point.serial].append(point.value)
    if few := [serial for serial in truths if len(found[serial]) < 2]:
        raise Misuse(f"fewer than two readings of {', '.join(few[:6])}", do="measure these units more often")
    order = sorted(truths, key=lambda serial: truths[serial])
    return [found[serial] for serial in order], [truths[serial] for serial in order]


def day_table(points: Iterable[Point]) -> dict[str, list[float]]:
    """Readings of each day (UTC, such as `2026-11-29`) in order of time, of every day as many: the first ones.

    Days with fewer than two readings are left out.
    """
    found: dict[str, list[float]] = defaultdict(list)
    for point in sorted(points, key=lambda one: one.started):
        if point.value is not None:
            found[point.started.astimezone(UTC).date().isoformat()].append(point.value)
    whole = {day: values for day, values in found.items() if len(values) > 1}
    size = min((len(values) for values in whole.values()), default=0)
    return {day: values[:size] for day, values in whole.items()}


def read_truths(path: Path) -> dict[str, float]:
    """Known values by serial number, from a CSV file with the columns `serial` and `value`, in SI units.

    Where the spreadsheet's language has the decimal comma, it separates the columns by `;`.

    Raises
    ------
    FileFault : it cannot be read, lacks a column, or has a value that is not a number.
    """
    text = read_text(path, largest=LARGEST_TABLE)
    try:
        separator = ";" if ";" in text.partition("\n")[0] else ","
        rows: Sequence[dict[str, str]] = list(csv.DictReader(io.StringIO(text, newline=""), delimiter=separator))
    except csv.Error as fault:
        raise FileFault(f"cannot be read: {fault}", where=str(path), expected="a CSV file") from fault
    truths: dict[str, float] = {}
    for line, row in enumerate(rows, 2):
        try:
            truths[row["serial"]] = float(row["value"].replace(",", ".") if separator == ";" else row["value"])
        except (KeyError, TypeError, ValueError, AttributeError) as fault:
            raise FileFault(
                f"no known value: {fault}", where=Place(str(path), line), expected="the columns `serial` and `value`"
            ) from fault
    return truths
