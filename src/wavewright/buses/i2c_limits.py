"""What UM10204, table 10, and SMBus allow on the two lines of an I2C bus, mode by mode.

Limits of revision 6/7: Standard- and Fast-mode as restated in component data, Fast-mode Plus partly from memory; SMBus
from memory of 2.0 and 3.x, class of 100 kHz.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from wavewright.errors import Misuse
from wavewright.quantities import Interval

MODES = ("standard", "fast", "fast_plus", "smbus")
Ends = tuple[float | None, float | None, float | None, float | None]


@dataclass(frozen=True, slots=True)
class Limits:
    """What is allowed in the modes, in the order of `MODES`; SI units, None: no limit."""

    symbol: str
    unit: str
    least: Ends | None = None
    most: Ends | None = None


LIMITS: Mapping[str, Limits] = MappingProxyType(
    {
        "clock_frequency": Limits("fSCL", "Hz", most=(100e3, 400e3, 1e6, 100e3)),
        "start_hold_time": Limits("tHD;STA", "s", least=(4.0e-6, 0.6e-6, 0.26e-6, 4.0e-6)),
        "low_period": Limits("tLOW", "s", least=(4.7e-6, 1.3e-6, 0.5e-6, 4.7e-6)),
        "high_period": Limits("tHIGH", "s", least=(4.0e-6, 0.6e-6, 0.26e-6, 4.0e-6)),
        "start_setup_time": Limits("tSU;STA", "s", least=(4.7e-6, 0.6e-6, 0.26e-6, 4.7e-6)),
        "data_hold_time": Limits("tHD;DAT", "s", least=(0.0, 0.0, 0.0, 0.0)),
        "data_setup_time": Limits("tSU;DAT", "s", least=(250e-9, 100e-9, 50e-9, 250e-9)),
        "rise_time": Limits("tr", "s", most=(1000e-9, 300e-9, 120e-9, 1000e-9)),
        "fall_time": Limits("tf", "s", most=(300e-9, 300e-9, 120e-9, 300e-9)),
        "stop_setup_time": Limits("tSU;STO", "s", least=(4.0e-6, 0.6e-6, 0.26e-6, 4.0e-6)),
        "bus_free_time": Limits("tBUF", "s", least=(4.7e-6, 1.3e-6, 0.5e-6, 4.7e-6)),
        "bus_capacitance": Limits("Cb", "F", most=(400e-12, 400e-12, 550e-12, None)),
        "data_valid_time": Limits("tVD;DAT", "s", most=(3.45e-6, 0.9e-6, 0.45e-6, None)),
        "acknowledge_valid_time": Limits("tVD;ACK", "s", most=(3.45e-6, 0.9e-6, 0.45e-6, None)),
        "low_output_level": Limits("VOL", "V", most=(0.4, 0.4, 0.4, 0.4)),
        "slowest_clock_frequency": Limits("FSMB", "Hz", least=(None, None, None, 10e3)),
        "longest_high_period": Limits("tHIGH", "s", most=(None, None, None, 50e-6)),
        "longest_low_period": Limits("tTIMEOUT", "s", most=(None, None, None, 25e-3)),
    }
)
"""The quantities by name: those of table 10 in its order, then those that only SMBus bounds."""


def allowed(name: str, mode: str) -> Interval:
    """What is allowed for a quantity in a mode.

    Raises
    ------
    Misuse : there is no such quantity or mode, or nothing is said about it in that mode.
    """
    if name not in LIMITS or mode not in MODES:
        known = ", ".join(LIMITS if name not in LIMITS else MODES)
        raise Misuse(f"i2c timing `{name}` in mode `{mode}`", expected=f"one of {known}")
    entry, column = LIMITS[name], MODES.index(mode)
    least = entry.least[column] if entry.least else None
    most = entry.most[column] if entry.most else None
    if least is None and most is None:
        said = [each for each in MODES if _is_bounded(entry, MODES.index(each))]
        raise Misuse(
            f"`{name}` has no published limit in mode `{mode}`", expected=f"a limit of your own, or {' or '.join(said)}"
        )
    return Interval(-math.inf if least is None else least, math.inf if most is None else most, entry.unit)


def mode_of(then: str, options: Mapping[str, Any]) -> str:
    """The mode whose limits hold: that of the bus, or SMBus where that is the layer above it."""
    return "smbus" if then == "smbus" else str(options.get("mode", MODES[0]))


def _is_bounded(entry: Limits, column: int) -> bool:
    return any(ends is not None and ends[column] is not None for ends in (entry.least, entry.most))
