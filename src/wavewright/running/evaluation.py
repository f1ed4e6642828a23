"""From captures to results, without an instrument: a run and whoever recomputes kept captures use the same.

A shot is evaluated while it is in memory; what is kept of it are readings and counts, so that the number of shots does
not matter for the memory.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, closing, nullcontext
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice

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
from wavewright.running.crew import joined_parts, side_by_side
from wavewright.running.line_findings import findings_of_line, findings_of_metric
from wavewright.running.persistence import PersistenceCount
from wavewright.running.result import Result, cut_short_results, judged_result
from wavewright.running.shot import ExaminedShot, metered
from wavewright.running.shot_comparison import ShotComparison
from wavewright.running.shots_ahead import shots_ahead
from wavewright.running.stored_waveforms import ReferenceWaveforms
from wavewright.waveform import Capture

LONG = 1 << 24  # samples; parts of shorter records wait for each other more than they gain
NOTHING_UNMET = Limit(read_interval("exactly 0", unit="count"), "exactly 0 unmet")


@dataclass(frozen=True, slots=True)
class Unmet:
    """The conditions that a line leaves unmet in one shot: how many, and which in words."""

    reading: Reading
    reason: str


@dataclass(frozen=True, slots=True)
class ShotFindings:
    """What one shot says by itself.

    Attributes
    ----------
    readings : of every entry of `compute:`.
    unmet : what each line leaves unmet.
    metered : what was read beside it.
    """

    readings: Mapping[str, Reading]
    unmet: Mapping[str, Unmet]
    metered: Mapping[str, Reading]


def readings_of(capture: Capture, measurement: Measurement) -> dict[str, Reading]:
    """The reading of every entry of `compute:` in one shot."""
    shot = ExaminedShot(capture, measurement)
    return {name: _measured(shot, wanted) for name, wanted in measurement.compute.items()}


def findings_in(shot: ExaminedShot, measurement: Measurement, *, cores: int = 1) -> ShotFindings:
    """What one shot says by itself.

    Parameters
    ----------
    cores : how many threads, at most, evaluate what comes from different channels, where these are long enough for it
        to be worth it. What is found does not depend on it.
    """
    tasks: list[Callable[[], Reading | Unmet]] = [
        *(partial(_measured, shot, wanted) for wanted in measurement.compute.values()),
        *(partial(_unmet, shot, line, wanted) for line, wanted in measurement.expect.items()),
    ]
    parts = _parts(shot, measurement) if cores > 1 else []
    if len(parts) > 1:
        for one in measurement.compute.values():
            if not one.on_frames:
                METRICS.find(one.metric)  # modules are loaded by one thread
        found = side_by_side(tasks, parts, cores=cores)
    else:
        found = [task() for task in tasks]
    names = [*measurement.compute, *measurement.expect]
    return ShotFindings(
        {name: one for name, one in zip(names, found, strict=True) if isinstance(one, Reading)},
        {name: one for name, one in zip(names, found, strict=True) if isinstance(one, Unmet)},
        {one.name: metered(shot.capture, one) for one in measurement.meterings},
    )


def _findings_apart(measurement: Measurement, capture: Capture) -> ShotFindings:
    """The same for another process, without the single occurrences: nothing asks for those of shots that are joined."""
    found = findings_in(ExaminedShot(capture, measurement), measurement)
    return replace(found, readings={name: _without_occurrences(one) for name, one in found.readings.items()})


def _without_occurrences(reading: Reading) -> Reading:
    return replace(reading, occurrences=None)


def _parts(shot: ExaminedShot, measurement: Measurement) -> list[list[int]]:
    """The entries by numbers, those that need no channel in common apart; one part where no others are worth a thread.

    Parts of short records are done with a longer one.
    """
    lines = [
        shot.channels_of(wanted.of[0]) if wanted.on_frames else wanted.of for wanted in measurement.compute.values()
    ]
    needed = [shot.changed.sources(channels) for channels in (*lines, *map(shot.channels_of, measurement.expect))]
    waves = shot.capture.waveforms
    long, short = list[list[int]](), list[int]()
    for part in joined_parts(needed):
        samples = max((len(waves[name]) for number in part for name in needed[number] if name in waves), default=0)
        if samples >= LONG:
            long.append(part)
        else:
            short += part
    if len(long) < 2:
        return []
    return [*long[:-1], sorted(long[-1] + short)]


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
        ahead = shots_ahead(captures, partial(_findings_apart, measurement), processes=cores, count=shots)
        with closing(ahead):
            for number, findings in ahead:
                if number and findings is not None and not evaluation.needs_records:
                    evaluation.add_findings(findings)
                else:
                    add(captures[number], findings)
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
    cores : as in `findings_in`.
    """

    def __init__(
        self,
        measurement: Measurement,
        *,
        references: ReferenceWaveforms | None = None,
        newest: int | None = None,
        cores: int = 1,
    ) -> None:
        found = references or ReferenceWaveforms()
        self._measurement, self._cores = measurement, cores
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
            findings = findings_in(shot, self._measurement, cores=self._cores)
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
        kept = {name: _without_occurrences(reading) for name, reading in findings.readings.items()}
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
