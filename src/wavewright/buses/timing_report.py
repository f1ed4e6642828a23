"""Timing report of a bus: every metric over its lines beside what its standard allows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

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
    holds : None where there is no limit, or was nothing to measure.
    """

    name: str
    symbol: str
    meaning: str
    reading: Reading
    limit: Interval | None
    holds: bool | None

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
    reading = measure_decoded(decoded, entry.name)
    holds = None if reading.value is None or limit is None else _fulfils(reading.value, limit)
    return TimingRow(entry.name, entry.symbol, entry.definition, reading, limit, holds)


def _fulfils(value: float, limit: Interval) -> bool:
    """Within the limit, or so near that only the rounding of times keeps it out."""
    return value in limit or any(math.isclose(value, end, rel_tol=1e-9) for end in (limit.low, limit.high))
