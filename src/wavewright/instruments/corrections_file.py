"""The file of corrections: what calibration found about a digitizer, its inputs and its probes.

A correction is what is added to compensate a systematic error (JCGM 200:2012, 2.53): with all of them,
`volts = (volts as told + offset) · (1 + gain)` and `time = time as told · (1 + timebase) + skew`.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from wavewright.errors import FileFault, Place
from wavewright.grammar.alternatives import ChosenBy
from wavewright.grammar.date_fields import Day
from wavewright.grammar.located_yaml import place_of, read_text
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import read_model, refusal
from wavewright.grammar.quantity_fields import (
    Factor,
    Frequency,
    PositiveVoltage,
    QuantityIn,
    Resistance,
    StatedQuantity,
    Voltage,
)
from wavewright.grammar.word_fields import Count, CountFrom, Line, LocatedText, VersionOne

USUAL_NAME = "corrections.yaml"
MOST_GAIN = 0.5  # a gain that is off by more has another reason than the converter: a probe at the wrong division
ROUNDED = 1e-3  # relative: what the digits that are written leave of a number
LEAST_SHARE = 1e-12  # a correction that is known exactly is none that was measured
MOST_TIMEBASE = 0.01

OffsetValue = Annotated[StatedQuantity, QuantityIn("V", "-12.3 mV", least=-1e6, most=1e6)]
OffsetUncertainty = Annotated[StatedQuantity, QuantityIn("V", "0.4 mV", least=LEAST_SHARE, most=1e6)]
GainValue = Annotated[StatedQuantity, QuantityIn("1", "0.31 %", least=-MOST_GAIN, most=MOST_GAIN)]
GainUncertainty = Annotated[StatedQuantity, QuantityIn("1", "0.02 %", least=LEAST_SHARE, most=MOST_GAIN)]
SkewValue = Annotated[StatedQuantity, QuantityIn("s", "-62 ps", least=-1e-3, most=1e-3)]
SkewUncertainty = Annotated[StatedQuantity, QuantityIn("s", "3 ps", least=0.0, most=1e-3)]
TimebaseValue = Annotated[StatedQuantity, QuantityIn("1", "2.6 ppm", least=-MOST_TIMEBASE, most=MOST_TIMEBASE)]
TimebaseUncertainty = Annotated[StatedQuantity, QuantityIn("1", "0.2 ppm", least=LEAST_SHARE, most=MOST_TIMEBASE)]


ABOUT_SHARED = (
    "causes that other corrections of the same calibration have in common with this one, each with the part of the "
    "uncertainty that it makes, signed"
)


class Correction(GrammarModel):
    """What all corrections have: whose they are, how large, how well known, from when until when."""

    unit: ClassVar[str] = ""
    quantity: str
    value: StatedQuantity
    uncertainty: StatedQuantity
    shared: Mapping[str, StatedQuantity] = MappingProxyType({})
    instrument: LocatedText = Field(description="name of the instrument in the bench file", examples=["digitizer"])
    maker: Line = Field(description="maker in the instrument's answer to `*IDN?`", examples=["Wavewright"])
    model: Line = Field(description="model in that answer", examples=["Simulated digitizer"])
    serial: Line = Field(description="serial number in that answer", examples=["WD-0204"])
    seed: Annotated[int, CountFrom(0)] | None = Field(
        default=None,
        description="of a simulated instrument: the seed that decides what it is built like",
        examples=[204],
    )
    date: Day = Field(description="day of the calibration, UTC", examples=["2026-11-29"])
    due: Day = Field(description="last day on which it holds, UTC", examples=["2027-11-29"])
    by: Line | None = Field(default=None, description="who calibrated", examples=["R. Okafor"])
    evidence: Line | None = Field(
        default=None, description="run that it was computed from", examples=["20261129-081500-9f3c21aa"]
    )
    replaces: Line | None = Field(
        default=None, description="the correction before, and its day", examples=["0.29 % of 2025-11-20"]
    )

    @model_validator(mode="after")
    def _ends_after_it_begins(self) -> Self:
        parts = math.hypot(*map(float, self.shared.values()))
        if parts > float(self.uncertainty) * (1 + ROUNDED):
            what = f"the parts in `shared` are {parts:g} together, and `uncertainty` is {self.uncertainty}"
            raise refusal(FileFault(what, where=self.place or "", expected="parts of that uncertainty"))
        if self.due < self.date:
            what = f"`due: {self.due}` is before `date: {self.date}`"
            raise refusal(FileFault(what, where=self.place or "", expected="a day after that of the calibration"))
        return self

    @property
    def place(self) -> Place | None:
        """Where it is in its file; None where it comes from none."""
        return place_of(self.instrument)

    @property
    def identity(self) -> tuple[str, str, str]:
        """Maker, model and serial number."""
        return self.maker, self.model, self.serial

    @property
    def subject(self) -> tuple[object, ...]:
        """What it corrects: of two with the same subject, the later one holds."""
        return (self.instrument, *self.identity, self.seed, self.quantity)

    @property
    def words(self) -> str:
        """What it corrects, in words: `gain of input 1 at 8 V, 10x`."""
        return self.quantity

    def is_overdue(self, today: datetime.date) -> bool:
        """Whether its last day has passed."""
        return today > self.due

    def __str__(self) -> str:
        return f"{self.words}: {self.value}, standard uncertainty {self.uncertainty}"


class _OfInput(Correction):
    """A correction of one input with what is plugged into it."""

    input: Count = Field(description="number of the input, from 1")
    probe: Factor = Field(
        default=StatedQuantity(1.0, "x", "1x"), description="division of the probe in it", examples=["10x"]
    )
    probe_serial: Line | None = Field(
        default=None, description="serial number of that probe, as the bench file has it", examples=["PB-0107"]
    )
    impedance: Resistance | None = Field(
        default=None,
        description="input impedance with which it was made and alone holds; the one after a reset if left out",
        examples=["50 ohm"],
    )

    @property
    def subject(self) -> tuple[object, ...]:
        own = (self.input, float(self.probe), self.probe_serial or "")
        return (*super().subject, *own, None if self.impedance is None else float(self.impedance))

    @property
    def words(self) -> str:
        return f"{self.quantity} of input {self.input}, {self.probe}"


class _OfRange(_OfInput):
    """A correction of one input in one range."""

    range: PositiveVoltage = Field(description="full scale, peak to peak, at the probe's tip", examples=["8 V"])
    middle: Voltage | None = Field(
        default=None,
        description="voltage in the middle of the range, at the probe's tip, with which it was made, and with which "
        "alone it holds; any if left out",
        examples=["2 V"],
    )

    @property
    def subject(self) -> tuple[object, ...]:
        return (*super().subject, float(self.range), None if self.middle is None else float(self.middle))

    @property
    def words(self) -> str:
        around = "" if self.middle is None else f" around {self.middle}"
        return f"{self.quantity} of input {self.input} at {self.range}{around}, {self.probe}"


class OffsetCorrection(_OfRange):
    """Voltage that is added to what the instrument tells."""

    unit: ClassVar[str] = "V"
    quantity: str = Field(description="what is corrected", examples=["offset"])
    coupling: Literal["dc", "ac", "ground"] = Field(
        default="dc", description="coupling with which it was made and alone holds", examples=["dc"]
    )
    value: OffsetValue = Field(description="voltage that is added, at the probe's tip")
    uncertainty: OffsetUncertainty = Field(description="standard uncertainty of the value")
    shared: dict[Line, OffsetValue] = Field(
        default_factory=dict,
        description=ABOUT_SHARED,
        examples=[{"meter dc_voltage offset, 20261129-081500-9f3c21aa": "0.3 mV"}],
    )

    @property
    def subject(self) -> tuple[object, ...]:
        """What it corrects."""
        return (*super().subject, self.coupling)


class GainCorrection(_OfRange):
    """Share of the voltage, with its offset corrected, that is added to it."""

    unit: ClassVar[str] = "1"
    quantity: str = Field(description="what is corrected", examples=["gain"])
    value: GainValue = Field(description="share of the reading that is added")
    uncertainty: GainUncertainty = Field(description="standard uncertainty of the value")
    shared: dict[Line, GainValue] = Field(
        default_factory=dict,
        description=ABOUT_SHARED,
        examples=[{"meter dc_voltage gain, 20261129-081500-9f3c21aa": "0.006 %"}],
    )


class SkewCorrection(_OfInput):
    """Time that is added to every sample of an input."""

    unit: ClassVar[str] = "s"
    quantity: str = Field(description="what is corrected", examples=["skew"])
    bandwidth_limit: Frequency | None = Field(
        default=None,
        description="band limit with which it was made and alone holds; without one if left out: a filter delays",
        examples=["20 MHz"],
    )
    value: SkewValue = Field(description="time that is added; 0 s for the input that the others refer to")
    uncertainty: SkewUncertainty = Field(description="standard uncertainty of the value")
    shared: dict[Line, SkewValue] = Field(
        default_factory=dict,
        description=ABOUT_SHARED,
        examples=[{"reference, 20261129-081500-9f3c21aa": "2 ps"}],
    )

    @property
    def subject(self) -> tuple[object, ...]:
        """What it corrects."""
        return (*super().subject, None if self.bandwidth_limit is None else float(self.bandwidth_limit))


class TimebaseCorrection(Correction):
    """Share of every time that is added to it."""

    unit: ClassVar[str] = "1"
    quantity: str = Field(description="what is corrected", examples=["timebase"])
    value: TimebaseValue = Field(description="share of every time that is added to it")
    uncertainty: TimebaseUncertainty = Field(description="standard uncertainty of the value")
    shared: dict[Line, TimebaseValue] = Field(
        default_factory=dict,
        description=ABOUT_SHARED,
        examples=[{"reference, 20261129-081500-9f3c21aa": "0.1 ppm"}],
    )


QUANTITIES: Mapping[str, type[Correction]] = MappingProxyType(
    {
        "offset": OffsetCorrection,
        "gain": GainCorrection,
        "skew": SkewCorrection,
        "timebase": TimebaseCorrection,
    }
)
_EXAMPLE = {
    "quantity": "gain",
    "instrument": "digitizer",
    "maker": "Wavewright",
    "model": "Simulated digitizer",
    "serial": "WD-0204",
    "input": 1,
    "range": "8 V",
    "probe": "10x",
    "value": "0.31 %",
    "uncertainty": "0.02 %",
    "date": "2026-11-29",
    "due": "2027-11-29",
}


class CorrectionsFile(GrammarModel):
    """What calibration found about the digitizers of a bench; applied between their codes and volts and seconds."""

    entries: Annotated[int, CountFrom(0)] | None = Field(
        default=None,
        description="how many corrections there are, so that a file that was cut is noticed; any if left out",
        examples=[8],
    )
    version: VersionOne = Field(alias="wavewright-corrections", description="version of the grammar: 1")
    about: str = Field(default="", description="which bench it is for, in a line", examples=["line 3, station 2"])
    corrections: tuple[Annotated[Correction, ChosenBy("quantity", lambda: QUANTITIES, "correction")], ...] = Field(
        default=(), description="the corrections, one below the other", examples=[[_EXAMPLE]]
    )

    @model_validator(mode="after")
    def _has_all_entries(self) -> Self:
        if self.entries is not None and self.entries != len(self.corrections):
            what = f"`entries: {self.entries}`, and there are {len(self.corrections)} corrections"
            do = "restore the file, or calibrate again; after a change by hand, write how many there are"
            raise refusal(FileFault(what, expected="a file that is whole", do=do))
        return self

    def holding(self) -> Iterator[Correction]:
        """Of each subject the latest; of one day, the one that is last."""
        latest: dict[tuple[object, ...], Correction] = {}
        for one in self.corrections:
            known = latest.get(one.subject)
            if known is None or one.date >= known.date:
                latest[one.subject] = one
        yield from latest.values()


def load_corrections(path: str | Path) -> tuple[CorrectionsFile, str]:
    """A file of corrections, and its text.

    Raises
    ------
    FileFault : all that is wrong with it.
    """
    text = read_text(path)
    return read_model(path, CorrectionsFile, text=text), text
