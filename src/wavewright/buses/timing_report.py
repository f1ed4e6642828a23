"""Timing report of a bus: every metric over its lines beside what its standard allows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from wavewright.analysis.doubts import Reads
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.findings import doubted
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.frame_metrics import LineMetric, line_metrics, measure_decoded, published_limit
from wavewright.buses.i2c.limits import supply_of
from wavewright.errors import Misuse
from wavewright.quantities import Interval


@dataclass(frozen=True, slots=True)
class TimingRow:
    """One line of the report.

    Parameters
    ----------
    symbol, meaning : in the words of the standard.
    limit : None where the standard says nothing.
    holds : None where there is no limit, was nothing to measure, or a doubt leaves it open.
    """

    name: str
    symbol: str
    meaning: str
    reading: Reading
    limit: Interval | None
    holds: bool | None

    @property
    def is_open(self) -> bool:
        """Whether there is a value and a limit, and a doubt leaves open whether it holds."""
        return self.holds is None and self.limit is not None and self.reading.value is not None

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and words; an end that is open is left out."""
        plain: dict[str, Any] = {"name": self.name, "symbol": self.symbol, "meaning": self.meaning}
        plain["reading"] = self.reading.as_json()
        if self.limit is not None:
            ends = {"least": self.limit.low, "most": self.limit.high}
            plain |= {name: end for name, end in ends.items() if math.isfinite(end)}
        return plain if self.holds is None else plain | {"holds": self.holds}


def timing_report(decoded: BusRecord) -> tuple[TimingRow, ...]:
    """Every metric over the lines of a bus that needs no option, with its reading, its limit, and whether it holds.

    One that has limits, but none in this mode, is left out.

    Raises
    ------
    Misuse : the bus has no such metric.
    """
    entries = [each for each in line_metrics(decoded.bus.name) if not any(p.is_required for p in each.parameters)]
    if not entries:
        raise Misuse(
            f"bus `{decoded.bus.name}` has no metrics over its lines", expected="a bus that is timed, such as `i2c`"
        )
    options = {**decoded.options, **({"supply": _supply(decoded)} if "supply" in decoded.options else {})}
    return tuple(row for entry in entries if (row := _row(decoded, entry, options)) is not None)


def _supply(decoded: BusRecord) -> float | None:
    """What the lines are pulled up to, V: as it is given, else the highest high state of a line that changes."""
    given = supply_of(decoded.options)
    if given is not None:
        return given
    states = [
        Survey(line.wave).levels.high for line in decoded.lines.values() if line and line.wave and line.times.size
    ]
    return max(states, default=None)


def _row(decoded: BusRecord, entry: LineMetric, options: Mapping[str, Any]) -> TimingRow | None:
    limit = None
    if entry.published is not None:
        then = "" if decoded.layer is None else decoded.layer.name
        try:
            limit = published_limit(entry, then=then, options=options)
        except Misuse:
            return None
    reading = doubted(Read(measure_decoded(decoded, entry.name), (), frozenset({Reads.FRAMES}), metric=entry.name))
    holds = None if reading.value is None or limit is None else _holds(reading, reading.value, limit)
    return TimingRow(entry.name, entry.symbol, entry.definition, reading, limit, holds)


def _holds(reading: Reading, value: float, limit: Interval) -> bool | None:
    """Whether a limit holds; None where a doubt puts the other within reach."""
    is_inside = _fulfils(value, limit)
    for one in reading.doubted:
        ends = (value - one.below, value + one.above)
        if is_inside and (one.decides or not all(end in limit for end in ends)):
            return None
        if not is_inside and ends[0] <= limit.high and ends[1] >= limit.low:
            return None
    return is_inside


def _fulfils(value: float, limit: Interval) -> bool:
    """Within the limit, or so near that only the rounding of times keeps it out."""
    return value in limit or any(math.isclose(value, end, rel_tol=1e-9) for end in (limit.low, limit.high))
