"""From captures to results, without an instrument: a run and whoever recomputes kept captures use the same.

A shot is evaluated while it is in memory; what is kept of it are readings and counts, so that the number of shots does
not matter for the memory.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.doubts import Reads
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.findings import doubted, parts_of, with_findings
from wavewright.analysis.front_end.limit_in_range import limit_findings
from wavewright.analysis.measure import measure_surveys
from wavewright.analysis.reading import Doubt, Finding, Reading
from wavewright.analysis.uncertainty.affine import Change
from wavewright.analysis.uncertainty.propagation import with_budget
from wavewright.buses.expectation import Expectation
from wavewright.buses.frame_metrics import LineMetric, find_frame_metric, measure_decoded
from wavewright.errors import NotMeasurable
from wavewright.judgement.decision_rules import SIMPLE, DecisionRule
from wavewright.judgement.doubting import NO_RULES, DoubtRules
from wavewright.judgement.limits import Limit
from wavewright.quantities import read_interval
from wavewright.recipe.computation import Computation
from wavewright.recipe.measurement import Measurement
from wavewright.running.line_findings import findings_of_line, findings_of_metric
from wavewright.running.persistence import PersistenceCount
from wavewright.running.result import Result, cut_short_results, judged_result
from wavewright.running.shot import ExaminedShot, metered
from wavewright.running.shot_comparison import ShotComparison
from wavewright.running.stored_waveforms import ReferenceWaveforms
from wavewright.waveform import Capture

NOTHING_UNMET = Limit(read_interval("exactly 0", unit="count"), "exactly 0 unmet")


@dataclass(frozen=True, slots=True)
class Unmet:
    """The conditions that a line leaves unmet in one shot: how many, and which in words."""

    reading: Reading
    reason: str


def readings_of(capture: Capture, measurement: Measurement) -> dict[str, Reading]:
    """The reading of every entry of `compute:` in one shot."""
    return readings_in(ExaminedShot(capture, measurement), measurement)


def readings_in(shot: ExaminedShot, measurement: Measurement) -> dict[str, Reading]:
    """The same in a shot that has been examined."""
    return {name: _measured(shot, wanted) for name, wanted in measurement.compute.items()}


def evaluate(
    measurement: Measurement,
    captures: Iterable[Capture],
    *,
    references: ReferenceWaveforms | None = None,
    is_cut_short: bool = False,
) -> tuple[Result, ...]:
    """All results of a measurement from its captures.

    Parameters
    ----------
    references : the waveforms that `compare:` and masks refer to, and that later measurements will refer to.
    is_cut_short : the measurement was interrupted before all of its shots were taken.
    """
    found = references or ReferenceWaveforms()
    evaluation = Evaluation(measurement, references=found)
    for capture in captures:
        shot = ExaminedShot(capture, measurement)
        found.offer(measurement, shot)
        evaluation.add(shot)
    results = evaluation.results()
    return cut_short_results(results) if is_cut_short else results


class Evaluation:
    """The evaluation of one measurement, shot by shot.

    Parameters
    ----------
    references : as in `evaluate`.
    newest : how many shots, the newest ones, results are of; all of them if None. Density and mask count all in any
        case.
    """

    def __init__(
        self, measurement: Measurement, *, references: ReferenceWaveforms | None = None, newest: int | None = None
    ) -> None:
        found = references or ReferenceWaveforms()
        self._measurement = measurement
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
        readings: Mapping[str, Reading] | None = None,
    ) -> dict[str, Reading]:
        """Take one more shot, of which only numbers are kept; returns the readings of `compute:` and of the meters.

        Parameters
        ----------
        shielded : a block that no signal interrupts: the shot counts for everything or for nothing.
        readings : those of `compute:`, where they have been computed already.
        """
        if readings is None:
            readings = readings_in(shot, self._measurement)
        kept = {name: replace(reading, occurrences=None) for name, reading in readings.items()}
        read = {one.name: metered(shot.capture, one) for one in self._measurement.meterings}
        unmet = {line: _unmet(shot, line, wanted) for line, wanted in self._measurement.expect.items()}
        compared = [comparing.compared(shot) for comparing in self._comparing]
        with shielded():
            if self._persisting is not None:
                self._persisting.add(shot)
            self._shots.append(kept)
            for name, reading in read.items():
                self._metered[name].append(reading)
            for line, found_unmet in unmet.items():
                self._unmet[line].append(found_unmet)
            for comparing, found in zip(self._comparing, compared, strict=True):
                comparing.add(found)
        return {**kept, **read}

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


def _measured(shot: ExaminedShot, wanted: Computation) -> Reading:
    try:
        if wanted.on_frames:
            return _of_frames(shot, wanted)
        surveys = [shot.survey(channel) for channel in wanted.of]
    except NotMeasurable as fault:  # a channel that could not be derived
        return Reading(None, wanted.unit, reason=fault.what)
    metric, options = METRICS.find(wanted.metric), dict(wanted.options)
    front_ends = [shot.front_end(channel) for channel in wanted.of]
    reading = measure_surveys(
        surveys,
        metric,
        options,
        front_ends=front_ends,
        inputs=shot.changed.inputs(wanted.of),
        changed=shot.changed.evaluator(wanted.of),
        further=shot.changed.further(wanted.of),
    )
    parts = parts_of(metric.reads, options)
    limited: Iterable[Finding] = ()
    if wanted.limit is not None:
        one = Read(reading, surveys, parts, metric=metric.name)
        is_found = any(shot.finds_range(channel) for channel in wanted.of)
        limited = limit_findings(one, wanted.limit.interval, is_range_found=is_found)
    handed_on = [one for channel in wanted.of for one in shot.handed_on(channel, reading, parts, metric=metric.name)]
    return with_findings(reading, [*limited, *handed_on, *_forced(shot.capture, parts)])


def _of_frames(shot: ExaminedShot, wanted: Computation) -> Reading:
    """What was said on a line; nothing, where nothing is connected to any of its channels."""
    line = wanted.of[0]
    base = shot.decoded(line)
    found_once = measure_decoded(base, wanted.metric, **wanted.options)
    inputs = shot.changed.inputs(shot.channels_of(line))
    is_said = not isinstance(find_frame_metric(wanted.metric), LineMetric)

    def again(change: Change) -> float | None:
        record = shot.changed.decoded(change, line, is_said=is_said)
        return found_once.value if record is base else measure_decoded(record, wanted.metric, **wanted.options).value

    measured = found_once
    if inputs is not None:
        further = shot.changed.further(shot.channels_of(line))
        measured = with_budget(found_once, inputs, again, parts=(Reads.FRAMES,), further=further)
    reading = doubted(Read(measured, (), frozenset({Reads.FRAMES})))
    found = (*findings_of_line(shot, line), *findings_of_metric(shot, wanted, measured))
    return with_findings(reading, [*found, *_forced(shot.capture, {Reads.FRAMES})])


def _forced(capture: Capture, parts: Collection[Reads]) -> Iterator[Finding]:
    if not capture.triggered:
        bears = bool({Reads.TRIGGER, Reads.ANYTHING} & set(parts))
        yield Finding(Doubt.NOT_TRIGGERED) if bears else Finding.idle(Doubt.NOT_TRIGGERED)


def _unmet(shot: ExaminedShot, line: str, wanted: Expectation) -> Unmet:
    """How many conditions a line leaves unmet in one shot, and counted again within the accuracy of its inputs."""
    sentences = shot.unmet({line: wanted})
    reading = Reading(float(len(sentences)), "count")
    inputs = shot.changed.inputs(shot.channels_of(line))
    if inputs is not None:

        def again(change: Change) -> float | None:
            try:
                return float(len(wanted.unmet(shot.changed.decoded(change, line, is_said=True).frames)))
            except NotMeasurable:
                return None

        further = shot.changed.further(shot.channels_of(line))
        reading = with_budget(reading, inputs, again, parts=(Reads.FRAMES,), further=further)
    return Unmet(with_findings(reading, findings_of_line(shot, line)), "; ".join(sentences))


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
