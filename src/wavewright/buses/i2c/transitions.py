"""The changes of SCL and SDA with both their ends: the instants that every time of an I2C bus lies between.

All times refer to VIH(min) and VIL(max), 0.7 and 0.3 of the supply: a line begins to fall where it leaves VIH and has
fallen where it reaches VIL (UM10204 Rev. 6, figure 38). SMBus times the edges themselves between levels that lie 0.15 V
further out (SMBus 2.0 †).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wavewright.analysis.record.found_once import computed_once
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.i2c.i2c import find_conditions
from wavewright.buses.line.columns import Flags
from wavewright.buses.line.logic import Line, line_of
from wavewright.buses.line.logic_levels import AUTO_HIGH, AUTO_LOW, LogicLevels
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats, Waveform

SMBUS_MARGIN = 0.15  # V: its tr and tf lie between VIL(max) - 0.15 V and VIH(min) + 0.15 V
LOW, HIGH = 0.3, 0.7  # VIL(max), VIH(min) over the supply (UM10204 Rev. 6, table 9)


@dataclass(frozen=True, slots=True, eq=False)
class LineTransitions:
    """When a line begins and ends each change, s: it leaves one threshold and reaches the other; shape (n,)."""

    begins: Floats
    ends: Floats
    rising: Flags

    @property
    def rises(self) -> tuple[Floats, Floats]:
        """Begins and ends of the rising ones."""
        return self.begins[self.rising], self.ends[self.rising]

    @property
    def falls(self) -> tuple[Floats, Floats]:
        """Begins and ends of the falling ones."""
        return self.begins[~self.rising], self.ends[~self.rising]


class I2cSurvey:
    """The two lines of an I2C bus under examination; what is found is kept.

    Parameters
    ----------
    scl, sda : on one time axis.
    levels : VIL(max) and VIH(min) of each, V.
    margin : V by which rise and fall times reach further than the levels on both sides.
    """

    def __init__(
        self,
        scl: Waveform,
        sda: Waveform,
        levels: tuple[tuple[float, float], tuple[float, float]],
        *,
        margin: float = 0.0,
    ) -> None:
        self.waves, self.levels, self.margin = (scl, sda), levels, margin
        self.interval = max(scl.interval, sda.interval)
        self.scl_line, self.sda_line = (
            line_of(wave, LogicLevels(*each)) for wave, each in zip(self.waves, levels, strict=True)
        )
        self.scl = transitions(scl, self.scl_line, levels[0])
        self.sda = transitions(sda, self.sda_line, levels[1])
        self.scl_edges, self.sda_edges = self.scl, self.sda
        if margin:
            wide = [(low - margin, high + margin) for low, high in levels]
            self.scl_edges, self.sda_edges = (
                transitions(wave, line_of(wave, LogicLevels(*each)), each)
                for wave, each in zip(self.waves, wide, strict=True)
            )

    @classmethod
    def of(cls, bus: BusRecord) -> I2cSurvey:
        """That of a bus with its levels; where they are not given, 0.3 and 0.7 between the states of the record.

        Raises
        ------
        NotMeasurable : no levels are given, and neither line has two states.
        """
        scl, sda = (_timing_levels(bus, name) for name in ("scl", "sda"))
        is_smbus = bus.layer is not None and bus.layer.name == "smbus"
        return cls(bus.waves["scl"], bus.waves["sda"], (scl, sda), margin=SMBUS_MARGIN if is_smbus else 0.0)

    @computed_once
    def is_condition(self) -> Flags:
        """Which changes of SDA are a START or STOP."""
        found = find_conditions(self.scl_line, self.sda_line)
        return np.isin(self.sda.ends, found.times)

    @computed_once
    def starts(self) -> tuple[Floats, Floats]:
        """Begins and ends of the falls of SDA that are a START."""
        chosen = self.is_condition & ~self.sda.rising
        return self.sda.begins[chosen], self.sda.ends[chosen]

    @computed_once
    def stops(self) -> tuple[Floats, Floats]:
        """Begins and ends of the rises of SDA that are a STOP."""
        chosen = self.is_condition & self.sda.rising
        return self.sda.begins[chosen], self.sda.ends[chosen]

    @computed_once
    def data(self) -> tuple[Floats, Floats]:
        """Begins and ends of the changes of SDA that are data or acknowledge bits."""
        return self.sda.begins[~self.is_condition], self.sda.ends[~self.is_condition]

    @computed_once
    def is_acknowledge(self) -> Flags:
        """Which of `data` lead to a ninth bit: eight clocks were counted since the START or the last ninth bit."""
        rises = self.scl.rises[1]
        counted = np.searchsorted(rises, self.data[1])
        starts = self.starts[1]
        begun = np.concatenate([[0], np.searchsorted(rises, starts)])
        since = counted - begun[np.searchsorted(starts, self.data[1])]
        return np.asarray(since % 9 == 8)

    @computed_once
    def is_preparing(self) -> Flags:
        """Which of `data` only make room for a START or STOP: that follows while SCL is high for the next time."""
        rises, falls = (np.append(each[1], np.inf) for each in (self.scl.rises, self.scl.falls))
        begins = rises[np.searchsorted(rises, self.data[1])]
        ends = falls[np.searchsorted(falls, begins)]
        conditions = np.sort(np.concatenate([self.starts[1], self.stops[1]]))
        return np.asarray(np.searchsorted(conditions, ends) > np.searchsorted(conditions, begins))


def transitions(wave: Waveform, line: Line, levels: tuple[float, float]) -> LineTransitions:
    """The changes of a line with both their ends."""
    low, high = (line_of(wave, LogicLevels(level, level)) for level in levels)
    rising = (np.arange(line.times.size) & 1 == 0) ^ line.first
    begins = line.times.copy()
    for is_kind, leaving in ((rising, low.rising), (~rising, high.falling)):
        place = np.searchsorted(leaving, line.times[is_kind] + 1e-15, side="right") - 1
        known = place >= 0
        begins[np.flatnonzero(is_kind)[known]] = np.minimum(leaving[place[known]], line.times[is_kind][known])
    return LineTransitions(begins, line.times, rising)


def _timing_levels(bus: BusRecord, name: str) -> tuple[float, float]:
    """VIL(max) and VIH(min) of a line: as given, or in the same place between the states that `auto` found."""
    found = bus.thresholds[name]
    if found.is_auto:
        raise NotMeasurable(
            f"timing of `{name}`: no line has two states in the record",
            expected="two states",
            do="give the levels, such as `levels: i2c 3.3 V`",
        )
    if not bus.levels(name).is_auto:
        return found.low, found.high
    amplitude = (found.high - found.low) / (AUTO_HIGH - AUTO_LOW)
    base = found.low - AUTO_LOW * amplitude
    return base + LOW * amplitude, base + HIGH * amplitude
