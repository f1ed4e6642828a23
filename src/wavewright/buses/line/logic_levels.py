"""Logic levels: the two voltages that a line must pass to change its state, by family, by number, or from the record.

| written | low, high |
|---|---|
| `ttl`, `lvcmos33`, … | the published input levels of a family |
| `cmos 5 V`, `i2c 3.3 V`, `lin 12 V` | a family whose levels are fractions of its supply |
| `0.8 V / 2.0 V`, or two floats | low threshold, high threshold |
| `auto` | 40 % and 60 % between the state levels of the record |
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from wavewright.errors import Misuse, NotMeasurable
from wavewright.nearest import did_you_mean
from wavewright.quantities import read_quantity

if TYPE_CHECKING:
    from wavewright.waveform import Waveform

AUTO_LOW, AUTO_HIGH = 0.4, 0.6  # of the amplitude: wide enough for noise, narrow enough for edges of few samples


MOST_BETWEEN = 0.45  # of all samples, in the middle half between the state levels
FEWEST_CODES = 3  # between the state levels, where the converter is known: less is its own noise


@dataclass(frozen=True, slots=True)
class Family:
    """Input levels of a logic family: V, or fractions of the supply."""

    low: float
    high: float
    of_supply: bool
    source: str


FAMILIES: Mapping[str, Family] = MappingProxyType(
    {
        "ttl": Family(0.8, 2.0, False, "TTL family data; JESD8C.01 keeps the inputs"),
        "lvttl": Family(0.8, 2.0, False, "JEDEC JESD8C.01"),
        "lvcmos33": Family(0.8, 2.0, False, "JEDEC JESD8C.01"),
        "lvcmos25": Family(0.7, 1.7, False, "JEDEC JESD8-5A, normal range"),
        "lvcmos18": Family(0.35 * 1.8, 0.65 * 1.8, False, "JEDEC JESD8-7A: 0.35, 0.65 of 1.8 V †"),
        "lvcmos15": Family(0.35 * 1.5, 0.65 * 1.5, False, "JEDEC JESD8-11: 0.35, 0.65 of 1.5 V"),
        "lvcmos12": Family(0.35 * 1.2, 0.65 * 1.2, False, "JEDEC JESD8-12A: 0.35, 0.65 of 1.2 V"),
        "cmos": Family(0.3, 0.7, True, "JESD7A †"),
        "i2c": Family(0.3, 0.7, True, "UM10204 Rev. 6, table 9 and 3.1.2"),
        "smbus": Family(0.8, 1.35, False, "SMBus 3.x †"),
        "smbus2": Family(0.8, 2.1, False, "SMBus 2.0, as UM10204 Rev. 6, 4.2.1, restates it"),
        "rs232": Family(-3.0, 3.0, False, "TIA-232-F, ITU-T V.28 †; a mark is negative: set `inverted`"),
        "rs485": Family(-0.2, 0.2, False, "TIA-485-A, difference A − B †; A below B is a mark"),
        "can": Family(0.5, 0.9, False, "ISO 11898-2, difference high − low †"),
        "lin": Family(0.4, 0.6, True, "LIN 2.x physical layer, ISO 17987-4 †"),
    }
)


@dataclass(frozen=True, slots=True)
class LogicLevels:
    """Thresholds of a two-state line, V: below `low` it is low, above `high` it is high, between it keeps its state.

    Both are NaN where the state levels of the record are to be used.
    """

    low: float
    high: float

    @property
    def is_auto(self) -> bool:
        """To be found from the record."""
        return math.isnan(self.low)

    @classmethod
    def read(cls, text: object) -> LogicLevels:
        """From a family's name, two voltages, or `auto`.

        Raises
        ------
        Misuse : it is none of them, a supply is missing or too much, or the low threshold is above the high one.
        """
        if isinstance(text, LogicLevels):
            return text
        if isinstance(text, str):
            return _read_words(text.strip())
        if isinstance(text, Sequence) and len(text) == 2:
            low, high = (value if isinstance(value, float | int) else _volts(str(value)) for value in text)
            return _checked(float(low), float(high), text)
        raise Misuse(f"levels `{text}`", expected="a family, two voltages, or `auto`")

    def of(self, wave: Waveform) -> tuple[float, float]:
        """The two thresholds for a waveform, in its unit.

        Raises
        ------
        NotMeasurable : they are to be found from the record, and it has no two states.
        """
        if not self.is_auto:
            return self.low, self.high
        low, high = _states(wave)
        return low + AUTO_LOW * (high - low), low + AUTO_HIGH * (high - low)


AUTO = LogicLevels(math.nan, math.nan)


def _states(wave: Waveform) -> tuple[float, float]:
    """The two state levels, if the record stays at two.

    Noise about one level has two extremes as well, but most samples lie between them.

    Raises
    ------
    NotMeasurable : it does not.
    """
    from wavewright.analysis.record.survey import Survey  # to read levels needs none

    survey = Survey(wave)
    states, histogram = survey.levels, survey.histogram
    values = wave.offset + wave.gain * histogram.codes
    middle = np.abs(values - (states.low + states.high) / 2) < states.amplitude / 4
    between = float(histogram.counts[middle].sum()) / histogram.total
    is_dither = wave.code_range is not None and states.amplitude < FEWEST_CODES * abs(wave.gain)
    if between > MOST_BETWEEN or is_dither:
        raise NotMeasurable(
            f"levels of `{wave.name}`: the record does not stay at two levels",
            expected="two levels with few samples between them",
            do="give the levels, or a record in which the line changes",
        )
    return states.low, states.high


def _read_words(text: str) -> LogicLevels:
    if text == "auto":
        return AUTO
    if "/" in text or ".." in text:
        parts = re.split(r"/|\.\.", text)
        if len(parts) == 2:
            return _checked(_volts(parts[0]), _volts(parts[1]), text)
    name, _, supply = text.removesuffix(" differential").partition(" ")
    family = FAMILIES.get(name.lower())
    if family is None:
        raise Misuse(
            f"levels `{text}`",
            expected=f"two voltages such as `0.8 V / 2.0 V`, `auto`, or one of {', '.join(FAMILIES)}",
            do=did_you_mean(name, FAMILIES),
        )
    if family.of_supply != bool(supply):
        wanted = f"the supply too, such as `{name} 5 V`" if family.of_supply else "no supply: the levels are fixed"
        raise Misuse(f"levels `{text}`", expected=wanted)
    scale = _volts(supply) if supply else 1.0
    return _checked(family.low * scale, family.high * scale, text)


def supply_in(text: object) -> float | None:
    """The supply, V, in levels such as `i2c 3.3 V`; None where they have none."""
    if not isinstance(text, str):
        return None
    name, _, supply = text.strip().removesuffix(" differential").partition(" ")
    family = FAMILIES.get(name.lower())
    return _volts(supply) if family is not None and family.of_supply and supply else None


def _volts(text: str) -> float:
    return read_quantity(text.strip(), unit="V").value


def _checked(low: float, high: float, text: object) -> LogicLevels:
    if not (math.isfinite(low) and math.isfinite(high) and low <= high):
        raise Misuse(f"levels `{text}`", expected="two voltages, the low threshold first and not above the high one")
    return LogicLevels(low, high)
