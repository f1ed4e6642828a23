"""`golden:`: units whose readings are known, and which a station measures before a batch."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal
from wavewright.grammar.word_fields import Line, LocatedText, ReadBy
from wavewright.quantities import Interval, read_interval, read_quantity
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.name_checks import UNKNOWN
from wavewright.recipe.stop_rules import readings_of, unknown_reading

LONGEST_VALID = 31 * 86400.0  # s
HOURS = {"h": 3600.0, "min": 60.0}


def read_hours(value: object) -> float:
    """A time in s, written as `8 h`, `30 min` (SI Brochure, 9th edition, table 8 †) or as any time in seconds.

    Raises
    ------
    Misuse : none, or one that no shift lasts.
    """
    if isinstance(value, float):
        return value
    words = " ".join(str(value).split())
    match = re.fullmatch(r"(\d+(?:\.\d+)?) ?(h|min)", words)
    seconds = float(match[1]) * HOURS[match[2]] if match else read_quantity(words, unit="s").value
    if not 1 <= seconds <= LONGEST_VALID:
        raise Misuse(f"`{words}` is not the time of a shift", expected="1 s to 744 h, such as `8 h` or `30 min`")
    return seconds


Hours = Annotated[float, ReadBy(read_hours, {"type": "string"})]


class KnownAs(StrEnum):
    """What a golden unit is known to be."""

    GOOD = "good"
    BAD = "bad"


class GoldenUnit(GrammarModel):
    """One unit whose readings are known."""

    known: KnownAs = Field(default=KnownAs.GOOD, description="good: it must pass; bad: it must fail", examples=["bad"])
    expect: Mapping[LocatedText, LocatedText] = Field(
        min_length=1,
        description="readings, as `measurement.entry`, with their tolerance",
        examples=[{"rail_noise.ripple": "30 mV ± 4 mV"}],
    )
    place: Line | None = Field(
        default=None, description="where the unit is kept, for the operator", examples=["drawer under station 1"]
    )


class GoldenCheck(GrammarModel):
    """Units whose readings are known: a batch begins, and goes on, only with them as expected."""

    every: Hours = Field(
        description="how long a measurement of them holds, on the same station, bench and recipe", examples=["8 h"]
    )
    units: Mapping[Line, GoldenUnit] = Field(
        min_length=1,
        description="the units, by serial number",
        examples=[{"VC204-9001": {"expect": {"rail_noise.ripple": "30 mV ± 4 mV"}}}],
    )

    @model_validator(mode="after")
    def _has_a_good_one(self) -> Self:
        if all(unit.known is KnownAs.BAD for unit in self.units.values()):
            raise refusal(Misuse("no golden unit is known to be good", expected="one or more with `known: good`"))
        return self


def golden_faults(check: GoldenCheck | None, measurements: Iterable[Measurement]) -> list[FileFault]:
    """What the golden units name that the recipe does not measure, and tolerances that are none."""
    units = dict(readings_of(measurements))
    faults = []
    for word, text in (
        (word, text) for unit in (check.units.values() if check else ()) for word, text in unit.expect.items()
    ):
        if word not in units:
            faults.append(unknown_reading(word, units))
            continue
        try:
            if units[str(word)] != UNKNOWN:
                expected_interval(text, units[str(word)])
        except Misuse as fault:
            faults.append(FileFault(fault.what, where=place_of(text) or "", expected=fault.expected, do=fault.do))
    return faults


def expected_interval(text: str, unit: str) -> Interval:
    """Between which values a golden unit must read.

    Raises
    ------
    Misuse : no quantity of that unit, or one without a tolerance.
    """
    found = read_interval(text, unit=unit)
    if not -math.inf < found.low < found.high < math.inf:
        raise Misuse(f"`{text}` has no tolerance", expected="`30 mV ± 4 mV`, or `26 mV .. 34 mV`")
    return found
