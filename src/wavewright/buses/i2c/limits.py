"""What UM10204, table 10, and SMBus allow on the two lines of an I2C bus, mode by mode.

UM10204 Rev. 6, tables 9 (levels) and 10 (times); Rev. 7 has the same values in tables 10 and
11. SMBus 2.0, class of 100 kHz †; the column of 3.x differs from it only where that is known †.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, TypeAlias

from wavewright.buses.line.logic_levels import supply_in
from wavewright.errors import Misuse
from wavewright.quantities import Interval, read_quantity

MODES = ("standard", "fast", "fast_plus", "smbus", "smbus_3")  # the last is SMBus too, in its later edition


@dataclass(frozen=True, slots=True)
class OfSupply:
    """An end that follows the supply VDD: `share` of it while that is at most `up_to` (V), and `above` beyond.

    `share` None: no end there.
    """

    share: float | None
    up_to: float = math.inf
    above: float | None = None

    def end(self, supply: float) -> float | None:
        """The end for a supply, V."""
        if supply > self.up_to:
            return self.above
        return None if self.share is None else self.share * supply


End: TypeAlias = float | OfSupply | None
Ends: TypeAlias = tuple[End, End, End, End, End]


@dataclass(frozen=True, slots=True)
class Limits:
    """What is allowed in the modes, in the order of `MODES`; SI units, None: no limit."""

    symbol: str
    unit: str
    least: Ends | None = None
    most: Ends | None = None


FALL = OfSupply(20e-9 / 5.5)  # s a volt of VDD: 20 ns x VDD / 5.5 V
LIMITS: Mapping[str, Limits] = MappingProxyType(
    {
        "clock_frequency": Limits("fSCL", "Hz", most=(100e3, 400e3, 1e6, 100e3, 100e3)),
        "start_hold_time": Limits("tHD;STA", "s", least=(4.0e-6, 0.6e-6, 0.26e-6, 4.0e-6, 4.0e-6)),
        "low_period": Limits("tLOW", "s", least=(4.7e-6, 1.3e-6, 0.5e-6, 4.7e-6, 4.7e-6)),
        "high_period": Limits("tHIGH", "s", least=(4.0e-6, 0.6e-6, 0.26e-6, 4.0e-6, 4.0e-6)),
        "start_setup_time": Limits("tSU;STA", "s", least=(4.7e-6, 0.6e-6, 0.26e-6, 4.7e-6, 4.7e-6)),
        "data_hold_time": Limits("tHD;DAT", "s", least=(0.0, 0.0, 0.0, 300e-9, 0.0)),
        "data_setup_time": Limits("tSU;DAT", "s", least=(250e-9, 100e-9, 50e-9, 250e-9, 250e-9)),
        "rise_time": Limits("tr", "s", most=(1000e-9, 300e-9, 120e-9, 1000e-9, 1000e-9)),
        "fall_time": Limits("tf", "s", most=(300e-9, 300e-9, 120e-9, 300e-9, 300e-9)),
        "shortest_rise_time": Limits("tr", "s", least=(None, 20e-9, None, None, None)),
        "shortest_fall_time": Limits("tf", "s", least=(None, FALL, FALL, None, None)),
        "stop_setup_time": Limits("tSU;STO", "s", least=(4.0e-6, 0.6e-6, 0.26e-6, 4.0e-6, 4.0e-6)),
        "bus_free_time": Limits("tBUF", "s", least=(4.7e-6, 1.3e-6, 0.5e-6, 4.7e-6, 4.7e-6)),
        "bus_capacitance": Limits("Cb", "F", most=(400e-12, 400e-12, 550e-12, None, None)),
        "data_valid_time": Limits("tVD;DAT", "s", most=(3.45e-6, 0.9e-6, 0.45e-6, None, None)),
        "acknowledge_valid_time": Limits("tVD;ACK", "s", most=(3.45e-6, 0.9e-6, 0.45e-6, None, None)),
        "low_output_level": Limits(
            "VOL",
            "V",
            most=(OfSupply(None, 2.0, 0.4), OfSupply(0.2, 2.0, 0.4), OfSupply(0.2, 2.0, 0.4), 0.4, 0.4),
        ),
        "slowest_clock_frequency": Limits("FSMB", "Hz", least=(None, None, None, 10e3, 10e3)),
        "longest_high_period": Limits("tHIGH", "s", most=(None, None, None, 50e-6, 50e-6)),
        "longest_low_period": Limits("tTIMEOUT", "s", most=(None, None, None, 25e-3, 25e-3)),
    }
)
"""The quantities by name: those of table 10 in its order, then those that only SMBus bounds."""


def allowed(name: str, mode: str, *, supply: float | None = None) -> Interval:
    """What is allowed for a quantity in a mode.

    Parameters
    ----------
    supply : VDD, V, which some ends depend on; None: not known.

    Raises
    ------
    Misuse : there is not such a quantity or mode, nothing is said about it in that mode, or the supply is needed.
    """
    if name not in LIMITS or mode not in MODES:
        known = ", ".join(LIMITS if name not in LIMITS else MODES[:-1])
        raise Misuse(f"i2c timing `{name}` in mode `{mode}`", expected=f"one of {known}")
    entry, column = LIMITS[name], MODES.index(mode)
    least, most = (_end(ends, column, name, supply) for ends in (entry.least, entry.most))
    if least is None and most is None:
        said = [each for each in MODES[:-1] if _is_bounded(entry, MODES.index(each))]
        at = "" if supply is None else f" at {supply:g} V"
        raise Misuse(
            f"`{name}` has no published limit in mode `{mode}`{at if mode in said else ''}",
            expected=f"a limit of your own, or {' or '.join(each for each in said if each != mode)}",
        )
    return Interval(-math.inf if least is None else least, math.inf if most is None else most, entry.unit)


def published(name: str, then: str, options: Mapping[str, Any]) -> Interval:
    """What is allowed for a quantity with the options of a bus and of the layer on it, as they are written.

    Raises
    ------
    Misuse : as `allowed`.
    """
    return allowed(name, mode_of(then, options), supply=supply_of(options))


def mode_of(then: str, options: Mapping[str, Any]) -> str:
    """The mode whose limits hold: that of the bus, or SMBus in its edition where that is the layer above it."""
    if then != "smbus":
        return str(options.get("mode", MODES[0]))
    return "smbus" if str(options.get("edition", EDITIONS[0])) == EDITIONS[0] else "smbus_3"


EDITIONS = ("2.0", "3")
"""Of SMBus, the one with the stricter hold time first."""


def supply_of(options: Mapping[str, Any]) -> float | None:
    """VDD in V: the option `supply`, or that of `levels: i2c 3.3 V`; None where neither says it."""
    written = options.get("supply")
    if written is not None:
        return read_quantity(written, unit="V").value if isinstance(written, str) else float(written)
    levels = options.get("levels")
    each = levels.values() if isinstance(levels, Mapping) else [levels]
    found = [supply for text in each if (supply := supply_in(text)) is not None]
    return min(found, default=None)


def _end(ends: Ends | None, column: int, name: str, supply: float | None) -> float | None:
    end = None if ends is None else ends[column]
    if not isinstance(end, OfSupply):
        return end
    if supply is None:
        raise Misuse(
            f"the published limit of `{name}` depends on the supply",
            expected="`supply:` of the bus, such as `supply: 3.3 V`",
            do="state it where the line is decoded, or write `levels: i2c 3.3 V`",
        )
    return end.end(supply)


def _is_bounded(entry: Limits, column: int) -> bool:
    return any(ends is not None and ends[column] is not None for ends in (entry.least, entry.most))
