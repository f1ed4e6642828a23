"""Counting: how many of many captures have the true value in the interval of their reading."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

import wavewright as ww
from tests.coverage.cases import CASES, Case, Scene, scene
from tests.coverage.digitizer import Digitizer, Sheet
from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.measure import measure_surveys
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.uncertainty.influences import InputOfReading
from wavewright.waveform import Waveform

SHEET = Sheet()


@dataclass(frozen=True)
class Condition:
    """What a capture is taken with: samples, bits of the converter, and what the digitizer's data sheet says."""

    size: int
    bits: int
    sheet: Sheet = SHEET

    @property
    def name(self) -> str:
        return f"{self.size}/{self.bits}"


CONDITIONS = tuple(Condition(size, bits) for size in (1000, 8000) for bits in (8, 12))


@dataclass
class Tally:
    """Of the readings of one case under one condition: how many there are, hold the truth, are in doubt, are none."""

    readings: int = 0
    inside: int = 0
    doubted: int = 0
    missing: int = 0
    doubts: Counter[str] = field(default_factory=Counter)

    @property
    def share(self) -> float:
        return self.inside / self.readings if self.readings else float("nan")

    def add(self, other: Tally) -> None:
        self.readings += other.readings
        self.inside += other.inside
        self.doubted += other.doubted
        self.missing += other.missing
        self.doubts.update(other.doubts)

    def count(self, reading: Reading, truth: float) -> None:
        """One more reading. A doubt that bears on the reading stops a pass: it is counted beside the interval."""
        if reading.value is None:
            self.missing += 1
            return
        assert reading.budget is not None
        reach = reading.budget.expanded(0.95)
        bearing = [finding.doubt for finding in reading.doubted if finding.bears]
        self.readings += 1
        self.inside += abs(reading.value - truth) <= reach
        self.doubted += bool(bearing)
        self.doubts.update(map(str, bearing))


def captures(
    shape: str, condition: Condition, numbers: Sequence[int]
) -> Iterator[tuple[Digitizer, Scene, Waveform, Waveform]]:
    """One capture for each number: the digitizer, the signal, noise and phase all drawn anew from it."""
    for number in numbers:
        rng = np.random.default_rng([number, condition.size, condition.bits, *shape.encode()])
        digitizer = Digitizer.drawn(condition.sheet, rng)
        drawn = scene(shape, rng, size=condition.size, digitizer=digitizer)
        how = {"size": condition.size, "bits": condition.bits}
        first = digitizer.take(drawn.signal, rng, **how)
        second = digitizer.take(drawn.signal.delayed(drawn.delay), rng, number=1, **how)
        yield digitizer, drawn, first, second


def tally(
    shape: str,
    condition: Condition,
    numbers: Sequence[int],
    cases: Sequence[Case] = CASES,
    *,
    stated: ww.Accuracy | None = None,
) -> dict[Case, Tally]:
    """The counts of all cases on one shape under one condition.

    Parameters
    ----------
    stated : what the data sheet says; None: what is true of the digitizer.
    """
    mine = [case for case in cases if case.shape == shape]
    found = {case: Tally() for case in mine}
    told = condition.sheet.stated() if stated is None else stated
    for _, drawn, first, second in captures(shape, condition, numbers):
        for case, reading in _readings(mine, first, second, told):
            found[case].count(reading, case.truth(drawn))
    return found


def _readings(
    cases: Sequence[Case], first: Waveform, second: Waveform, stated: ww.Accuracy
) -> Iterator[tuple[Case, Reading]]:
    """What each case measures, as `measure` and a run do it; what is known of the samples is shared."""
    inputs = [InputOfReading(wave.name, Survey(wave), stated) for wave in (first, second)]
    for case in cases:
        taken = inputs[: case.channels]
        surveys = [one.survey for one in taken]
        yield case, measure_surveys(surveys, METRICS.find(case.metric), dict(case.options), inputs=taken)
