"""The shots since the last change: the newest as it is drawn, and what was read in all of them."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from wavewright.analysis.reading import Reading
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.reporting.decisive_marks import marks_of
from wavewright.reporting.drawn_shot import DrawnShot
from wavewright.reporting.marks import Mark
from wavewright.running.crew import core_count
from wavewright.running.evaluation import Evaluation
from wavewright.running.persistence import PersistenceCount
from wavewright.running.result import MeasurementOutcome, Result, cut_short_results
from wavewright.running.shot import ExaminedShot
from wavewright.running.shot_findings import findings_in
from wavewright.running.stored_waveforms import ReadStored, ReferenceWaveforms
from wavewright.waveform import Waveform

MOST_READ = 1000  # shots whose readings are kept, for limits
MOST_BYTES = 64 * 1024 * 1024  # of codes of earlier shots, so that one on a rare path can be looked at


@dataclass(frozen=True, slots=True, eq=False)
class SeenShot:
    """A shot with what was read in it; `number` counts from 1 since the last change."""

    number: int
    shot: ExaminedShot
    measurement: Measurement
    readings: Mapping[str, Reading]
    results: tuple[Result, ...]

    def waves(self) -> dict[str, Waveform]:
        """Its channels, and those derived from them as far as they could be."""
        return self._drawn().waves()

    def marks(self) -> Mapping[str, Sequence[Mark]]:
        """What a picture of it marks, by channel."""
        return marks_of(self._drawn(), self.readings)

    @property
    def size(self) -> int:
        """Bytes of its codes."""
        return sum(wave.codes.nbytes for wave in self.shot.capture.waveforms.values())

    def _drawn(self) -> DrawnShot:
        one = MeasurementOutcome(self.measurement.name, self.measurement.condition, results=self.results)
        return DrawnShot(one, self.measurement, (), 0, self.shot, "shot")


class SeenShots:
    """All shots of a measurement since the last change.

    Parameters
    ----------
    recipe : that the measurement is of.
    read_stored : reads stored waveforms, for `compare:` and masks.

    Raises
    ------
    FileFault, Misuse : one of them cannot be used.
    """

    def __init__(self, recipe: Recipe, measurement: Measurement, *, read_stored: ReadStored | None = None) -> None:
        self.measurement = measurement
        self._references = ReferenceWaveforms(recipe, read_stored=read_stored)
        self._references.load([measurement])
        self._evaluation = Evaluation(measurement, references=self._references, newest=measurement.shots)
        self._readings: deque[Mapping[str, Reading]] = deque(maxlen=MOST_READ)
        self._kept: deque[SeenShot] = deque()
        self._kept_bytes = 0
        self.count = 0

    def add(self, shot: ExaminedShot) -> SeenShot:
        """Take one more shot, evaluated."""
        self._references.offer(self.measurement, shot)
        findings = findings_in(shot, self.measurement, cores=core_count())
        self._readings.append(self._evaluation.add(shot, findings=findings))
        self.count += 1
        results = self._evaluation.results()
        if self._evaluation.shots < self.measurement.shots:  # as long as there are fewer, nothing passes
            results = cut_short_results(results)
        seen = SeenShot(self.count, shot, self.measurement, findings.readings, results)
        self._keep(seen)
        return seen

    @property
    def judged(self) -> int:
        """How many shots, the newest ones, the results are of."""
        return self._evaluation.shots

    @property
    def newest(self) -> SeenShot | None:
        """The last one; None before the first."""
        return self._kept[-1] if self._kept else None

    @property
    def persistence(self) -> PersistenceCount | None:
        """All of them over one another, where the measurement asks for that."""
        return self._evaluation.persistence

    def newest_readings(self, name: str, shots: int) -> list[Reading]:
        """The readings of an entry in the newest shots."""
        return [one[name] for one in list(self._readings)[-shots:] if name in one]

    def kept(self, number: int) -> SeenShot | None:
        """An earlier shot by its number; None if it is kept no longer."""
        return next((one for one in self._kept if one.number == number), None)

    def _keep(self, seen: SeenShot) -> None:
        self._kept.append(seen)
        self._kept_bytes += seen.size
        while len(self._kept) > 1 and self._kept_bytes > MOST_BYTES:
            self._kept_bytes -= self._kept.popleft().size
