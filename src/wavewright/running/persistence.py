"""`persistence:`: every shot laid over the others and counted; shots on rare paths, and violations of a mask."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from wavewright.analysis.doubts import EXTREMES, Reads
from wavewright.analysis.findings import doubted, with_findings
from wavewright.analysis.reading import Doubt, Finding, Reading
from wavewright.analysis.statistics.density import Density
from wavewright.analysis.statistics.event_rate import event_rate
from wavewright.analysis.statistics.masks import Mask, MaskTest, PolygonMask, ToleranceBand, Violation
from wavewright.analysis.statistics.rare_paths import RarePath
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity
from wavewright.recipe.density import MaskEntry, Persistence
from wavewright.recipe.measurement import Measurement
from wavewright.running.mask_again import MaskAgain
from wavewright.running.result import Result, judged_result
from wavewright.running.shot import ExaminedShot
from wavewright.running.stored_waveforms import ReferenceWaveforms

LEAST_CELLS = 3  # noise at the edge of a trace strays into one or two cells, something rare draws a path
READ = EXTREMES | {Reads.TRIGGER}  # a trace is drawn from one end to the other, and placed by its trigger
AMONG_EACH_OTHER = "a number of shots, held against each other: an error that is in all of them makes none rare"
BEYOND_THE_MASK = "nothing that the record can show lies in what the mask forbids"
MOST_TOLD = 8  # shots that are named in a reason


class PersistenceCount:
    """The density of one channel over all shots of a measurement."""

    def __init__(self, wanted: Persistence, references: ReferenceWaveforms, measurement: Measurement) -> None:
        self._wanted = wanted
        self.channel = wanted.of or next(iter(measurement.channels))
        self._unit = "V"
        self.density: Density | None = None
        self._mask = None if wanted.mask is None else _mask(wanted.mask, self.channel, references)
        self.test = None if self._mask is None else MaskTest(self._mask)
        self._again: MaskAgain | None = None if self._mask is None else MaskAgain(self._mask, self.channel)
        self._doubts = measurement.doubts
        self._found: dict[Doubt, Finding] = {}
        self._shots = 0
        self._lacking = ""

    def add(self, shot: ExaminedShot) -> None:
        """Count one more shot."""
        try:
            wave = shot.wave(self.channel)
        except NotMeasurable as fault:
            self._lacking = fault.what
            return
        if self.density is None:
            self.density = Density.of(wave, columns=self._wanted.columns, rows=self._wanted.rows)
            self._unit = wave.unit
        self.density.add(self._shots, wave)
        if self.test is not None:
            self.test.add(self._shots, wave, by_range=not shot.finds_range(self.channel))
        if self._again is not None:
            self._again.add(self._shots, shot)
        for one in self._doubted(shot):
            self._found.setdefault(one.doubt, one)
        self._shots += 1

    def _doubted(self, shot: ExaminedShot) -> tuple[Finding, ...]:
        """What speaks against the traces of a shot: a part beyond the range, or no trigger that has put it in place."""
        count = Reading(0.0, "count")
        found = doubted(shot.read([self.channel], count, READ)).findings
        more = shot.handed_on(self.channel, count, READ)
        forced = () if shot.capture.triggered else (Finding(Doubt.NOT_TRIGGERED),)
        return tuple(one for one in (*found, *more, *forced) if one.decides)

    @property
    def counts(self) -> npt.NDArray[np.int64] | None:
        """Samples in each cell, shape (rows, columns); None without a shot."""
        return None if self.density is None else self.density.counts

    def results(self) -> list[Result]:
        """How many shots went on rare paths, and how often the mask was violated."""
        found = []
        if self._wanted.rare is not None:
            paths = self.rare_paths()
            reason = "; ".join(self._told(path) for path in paths[:MOST_TOLD])
            limit = self._wanted.rare_shots
            result = judged_result(
                "rare_shots",
                "rare_shots",
                (self.channel,),
                [self._rare(len(paths))],
                limit=limit,
                reasons=[reason],
                doubts=self._doubts,
            )
            found.append(replace(result, decisive_shot=paths[0].shot if paths else None))
        if self.test is not None:
            reason = "; ".join(self._violation(one) for one in self.test.violations[:MOST_TOLD])
            limit = self._wanted.violations
            count, violations = self._violations(self.test), self.test.violations
            result = judged_result(
                "violations", "violations", (self.channel,), [count], limit=limit, reasons=[reason], doubts=self._doubts
            )
            found.append(replace(result, decisive_shot=violations[0].shot if violations else None))
        return found

    def rare_paths(self) -> tuple[RarePath, ...]:
        """The shots that went where few others went, as the table counts them; none where nobody asks for them."""
        if self.density is None or self._wanted.rare is None:
            return ()
        return tuple(self.density.rare(self._wanted.rare, least_cells=LEAST_CELLS, beyond_noise=True))

    def _count(self, number: int) -> Reading:
        if self.density is None:
            return Reading(None, "count", reason=self._lacking or "no shot")
        return with_findings(Reading(float(number), "count", count=self._shots), self._found.values())

    def _rare(self, number: int) -> Reading:
        """Shots on rare paths: exact, since errors that all shots have in common put none of them on another path."""
        reading = self._count(number)
        if reading.value is None:
            return reading
        rate = event_rate(number, self._shots)
        return replace(reading, budget=Budget(reading.value, reading.unit, exact=AMONG_EACH_OTHER, rate=rate))

    def _violations(self, test: MaskTest) -> Reading:
        """Violations of the mask, counted again within the accuracy of the input; with the share of bad shots."""
        reading = self._count(test.count)
        if reading.value is not None and test.is_idle:
            reading = with_findings(reading, [Finding(Doubt.IDLE_LIMIT, BEYOND_THE_MASK)])
        if reading.value is None or self._again is None:
            return reading
        counted = self._again.counted(reading)
        if counted.budget is None:
            return counted
        return replace(counted, budget=replace(counted.budget, rate=event_rate(len(test.bad_shots), self._shots)))

    def _told(self, path: RarePath) -> str:
        where = f"{show_quantity(path.time, 's')}, {show_quantity(path.level, self._unit)}"
        return f"shot {path.shot + 1} of {self._shots} went to {where}"

    def _violation(self, one: Violation) -> str:
        beyond = f"{show_quantity(one.excess, self._unit)} beyond the mask at {show_quantity(one.time, 's')}"
        return f"shot {one.shot + 1} is {beyond}"


def _mask(wanted: MaskEntry, channel: str, references: ReferenceWaveforms) -> Mask:
    if wanted.polygons:
        return PolygonMask(
            tuple(tuple((float(time), float(level)) for time, level in polygon) for polygon in wanted.polygons)
        )
    golden = references.stored(str(wanted.around), channel)
    return ToleranceBand(golden, time=float(wanted.time or 0.0), level=float(wanted.level or 0.0))
