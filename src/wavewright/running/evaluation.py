"""From captures to results, without an instrument: a run and whoever recomputes kept captures use the same.

A shot is evaluated while it is in memory; what is kept of it are readings and counts, so that the number of shots does
not matter for the memory.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Sequence
from contextlib import AbstractContextManager, closing, nullcontext
from functools import partial
from itertools import islice

from wavewright.analysis.reading import Reading
from wavewright.judgement.decision_rules import SIMPLE, DecisionRule
from wavewright.judgement.doubting import NO_RULES, DoubtRules
from wavewright.judgement.limits import Limit
from wavewright.quantities import read_interval
from wavewright.recipe.computation import Computation
from wavewright.recipe.measurement import Measurement
from wavewright.running.persistence import PersistenceCount
from wavewright.running.result import Result, cut_short_results, judged_result
from wavewright.running.shot import ExaminedShot
from wavewright.running.shot_companions import ShotCompanions
from wavewright.running.shot_comparison import ShotComparison
from wavewright.running.shot_findings import (
    PartFinding,
    ShotFindings,
    Unmet,
    findings_apart,
    findings_in,
    without_occurrences,
)
from wavewright.running.shots_ahead import shots_ahead
from wavewright.running.stored_waveforms import ReferenceWaveforms
from wavewright.waveform import Capture

NOTHING_UNMET = Limit(read_interval("exactly 0", unit="count"), "exactly 0 unmet")


def evaluate(
    measurement: Measurement,
    captures: Iterable[Capture],
    *,
    references: ReferenceWaveforms | None = None,
    count: int | None = None,
    is_cut_short: bool = False,
    cores: int = 1,
) -> tuple[Result, ...]:
    """All results of a measurement from its captures.

    Parameters
    ----------
    references : the waveforms that `compare:` and masks refer to, and that later measurements will refer to.
    count : how many of the captures, the first ones; all of them if None.
    is_cut_short : the measurement was interrupted before all of its shots were taken.
    cores : how many processes, or threads, at most, where that is worth it. The results do not depend on it.
    """
    found = references or ReferenceWaveforms()
    evaluation = Evaluation(measurement, references=found, cores=cores)

    def add(capture: Capture, findings: ShotFindings | None = None) -> None:
        shot = ExaminedShot(capture, measurement)
        found.offer(measurement, shot)
        evaluation.add(shot, findings=findings)

    if cores > 1 and isinstance(captures, Sequence):
        shots = len(captures) if count is None else min(count, len(captures))
        ahead = shots_ahead(captures, partial(findings_apart, measurement), processes=cores, count=shots)
        with closing(ahead):
            for number, findings, capture in ahead:
                if number and findings is not None and not evaluation.needs_records:
                    evaluation.add_findings(findings)
                else:
                    add(captures[number] if capture is None else capture, findings)
                del capture  # before the next one is read
    else:
        for capture in islice(captures, count):
            add(capture)
    results = evaluation.results()
    return cut_short_results(results) if is_cut_short else results


class Evaluation:
    """The evaluation of one measurement, shot by shot.

    Parameters
    ----------
    references : as in `evaluate`.
    newest : how many shots, the newest ones, results are of; all of them if None. Density and mask count all in any
        case.
    cores, companions : as in `findings_in`.
    """

    def __init__(
        self,
        measurement: Measurement,
        *,
        references: ReferenceWaveforms | None = None,
        newest: int | None = None,
        cores: int = 1,
        companions: ShotCompanions[PartFinding] | None = None,
    ) -> None:
        found = references or ReferenceWaveforms()
        self._measurement, self._cores, self._companions = measurement, cores, companions
        self._shots: deque[dict[str, Reading]] = deque(maxlen=newest)
        self._unmet: dict[str, deque[Unmet]] = {line: deque(maxlen=newest) for line in measurement.expect}
        self._metered: dict[str, deque[Reading]] = {one.name: deque(maxlen=newest) for one in measurement.meterings}
        self._comparing = [
            ShotComparison(one, found, measurement, newest=newest) for one in measurement.compare.values()
        ]
        persistence = measurement.persistence
        self._persisting = None if persistence is None else PersistenceCount(persistence, found, measurement)

    def add(
        self,
        shot: ExaminedShot,
        *,
        shielded: Callable[[], AbstractContextManager[None]] = nullcontext,
        findings: ShotFindings | None = None,
    ) -> dict[str, Reading]:
        """Take one more shot, of which only numbers are kept; returns the readings of `compute:` and of the meters.

        Parameters
        ----------
        shielded : a block that no signal interrupts: the shot counts for everything or for nothing.
        findings : in this shot, where they have been computed already.
        """
        if findings is None:
            findings = findings_in(shot, self._measurement, cores=self._cores, companions=self._companions)
        compared = [comparing.compared(shot) for comparing in self._comparing]
        with shielded():
            if self._persisting is not None:
                self._persisting.add(shot)
            kept = self.add_findings(findings)
            for comparing, found in zip(self._comparing, compared, strict=True):
                comparing.add(found)
        return kept

    def add_findings(self, findings: ShotFindings) -> dict[str, Reading]:
        """Take one more shot by what it says by itself, where nothing else is asked of it; returns as `add`."""
        kept = {name: without_occurrences(reading) for name, reading in findings.readings.items()}
        self._shots.append(kept)
        for name, reading in findings.metered.items():
            self._metered[name].append(reading)
        for line, found_unmet in findings.unmet.items():
            self._unmet[line].append(found_unmet)
        return {**kept, **findings.metered}

    @property
    def needs_records(self) -> bool:
        """Whether each shot is compared, or counted over the others, for which its record is needed."""
        return bool(self._comparing) or self._persisting is not None

    @property
    def shots(self) -> int:
        """How many results are of."""
        return len(self._shots)

    @property
    def persistence(self) -> PersistenceCount | None:
        """The density of all shots, where the measurement asks for one."""
        return self._persisting

    def results(self) -> tuple[Result, ...]:
        """The readings of all shots joined and held against the limits."""
        doubts, rule_of = self._measurement.doubts, self._measurement.rule_of
        computed = [
            result_of([shot[name] for shot in self._shots], wanted, doubts, rule_of(wanted))
            for name, wanted in self._measurement.compute.items()
        ]
        read = [
            judged_result(
                one.name,
                one.metric,
                (),
                list(self._metered[one.name]),
                limit=one.limit,
                over=one.over,
                doubts=doubts,
                rule=rule_of(one),
            )
            for one in self._measurement.meterings
        ]
        expected = [_expectation(line, unmet, doubts) for line, unmet in self._unmet.items()]
        compared = [result for comparing in self._comparing for result in comparing.results()]
        persisted = [] if self._persisting is None else self._persisting.results()
        return (*computed, *read, *expected, *compared, *persisted)


def result_of(
    readings: Sequence[Reading], wanted: Computation, doubts: DoubtRules = NO_RULES, rule: DecisionRule = SIMPLE
) -> Result:
    """The readings of one entry over all shots as a result.

    Parameters
    ----------
    doubts : those that its measurement allows.
    rule : the decision rule of this entry.
    """
    return judged_result(
        wanted.name,
        wanted.metric,
        wanted.of,
        readings,
        limit=wanted.limit,
        over=wanted.over,
        doubts={**doubts, **wanted.doubts},
        rule=rule,
    )


def _expectation(line: str, unmet: Collection[Unmet], doubts: DoubtRules) -> Result:
    """How many conditions a line leaves unmet, in the worst shot; the reason says which."""
    return judged_result(
        f"expect.{line}",
        "expectation",
        (line,),
        [one.reading for one in unmet],
        limit=NOTHING_UNMET,
        reasons=[one.reason for one in unmet],
        doubts=doubts,
    )
