"""`calibration:` of a recipe: which of its readings are held against what, and the correction that comes of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Annotated, Self

from pydantic import Field, model_validator

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal
from wavewright.grammar.word_fields import Line, LocatedText
from wavewright.nearest import did_you_mean
from wavewright.quantities import Interval, read_interval, read_quantity


class CorrectedQuantity(StrEnum):
    """What of a digitizer is corrected."""

    OFFSET = "offset"
    GAIN = "gain"
    SKEW = "skew"
    TIMEBASE = "timebase"


UNITS: Mapping[CorrectedQuantity, str] = MappingProxyType(
    {
        CorrectedQuantity.OFFSET: "V",
        CorrectedQuantity.GAIN: "V",
        CorrectedQuantity.SKEW: "s",
        CorrectedQuantity.TIMEBASE: "Hz",
    }
)
LEVELS_OF_GAIN = 2  # a straight line through them


class CalibrationEntry(GrammarModel):
    """One correction: readings of the digitizer, and what they would be if it had no error.

    A reading is `measurement.entry`, with or without the condition of a `for_each`: without it, the mean over all
    conditions. A value that is known is a quantity with the limits of its error: `0 V ± 20 uV`.
    """

    quantity: CorrectedQuantity = Field(description="offset, gain, skew or timebase")
    read: tuple[LocatedText, ...] = Field(
        min_length=1,
        description="readings of the digitizer: two levels for a gain; of several for another quantity, the mean",
        examples=[["low.level_1", "high.level_1"]],
    )
    against: tuple[LocatedText, ...] = Field(
        min_length=1,
        description="for a gain the two true levels, else the true value: a reading of another instrument, or a known "
        "value with the limits of its error",
        examples=[["low.told", "high.told"], ["0 V ± 20 uV"]],
    )
    about: Line | None = Field(default=None, description="what it is for", examples=["all tips on one terminal"])

    @model_validator(mode="after")
    def _has_its_levels(self) -> Self:
        wanted = LEVELS_OF_GAIN if self.quantity is CorrectedQuantity.GAIN else 1
        where = place_of(self.against[0]) or ""
        if len(self.against) != wanted:
            what = f"`against` holds {len(self.against)}"
            raise refusal(FileFault(what, where=where, expected=f"{wanted} for `quantity: {self.quantity}`"))
        if self.quantity is CorrectedQuantity.GAIN and len(self.read) != wanted:
            what = f"`read` holds {len(self.read)}"
            raise refusal(FileFault(what, where=place_of(self.read[0]) or "", expected=f"{wanted}, a level each"))
        return self


Calibrations = Annotated[
    dict[str, CalibrationEntry],
    Field(
        default_factory=dict,
        description="corrections that `wavewright calibrate` computes from the readings, by name",
        examples=[{"gain_1": {"quantity": "gain", "read": ["low.l", "high.l"], "against": ["low.told", "high.told"]}}],
    ),
]


def is_reading(word: str) -> bool:
    """Whether `against` names a reading, and not a value that is known.

    Examples
    --------
    >>> is_reading("low.told"), is_reading("low[range=8 V].told"), is_reading("0.5 V ± 1 mV")
    (True, True, False)
    """
    return word[:1].isalpha() and "." in word


def known_value(word: str, quantity: CorrectedQuantity) -> Interval:
    """The limits between which a known value lies.

    Raises
    ------
    Misuse : it is not a quantity of the right unit, or has no limits.
    """
    if "±" not in word and "+-" not in word and "+/-" not in word:
        read_quantity(word, unit=UNITS[quantity])
        raise Misuse(f"how well `{word}` is known is not said", expected=f"`{word} ± …`, the limits of its error")
    return read_interval(word, unit=UNITS[quantity])


def calibration_faults(entries: Mapping[str, CalibrationEntry], readings: Iterable[str]) -> list[FileFault]:
    """What a calibration names that the recipe does not measure.

    Parameters
    ----------
    readings : `measurement.entry` of all that the recipe computes and reads, with and without conditions.
    """
    known = list(dict.fromkeys(readings))
    faults = []
    for entry in entries.values():
        named = [*entry.read, *(word for word in entry.against if is_reading(word))]
        faults += [
            FileFault(
                f"no reading `{word}` in the recipe",
                where=place_of(word) or "",
                expected=f"one of {', '.join(known)}",
                do=did_you_mean(word, known),
            )
            for word in named
            if word not in known
        ]
        for word in (word for word in entry.against if not is_reading(word)):
            try:
                known_value(word, entry.quantity)
            except Misuse as fault:
                faults.append(FileFault(fault.what, where=place_of(word) or "", expected=fault.expected, do=fault.do))
    return faults
