"""What one shot says by itself: the reading of every entry of `compute:`, and what is expected of its lines."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeAlias

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
from wavewright.recipe.computation import Computation
from wavewright.recipe.measurement import Measurement
from wavewright.running.crew import joined_parts, side_by_side
from wavewright.running.line_findings import findings_of_line, findings_of_metric
from wavewright.running.shot import ExaminedShot, metered
from wavewright.running.shot_companions import ShotCompanions
from wavewright.waveform import Capture

LONG = 1 << 24  # samples; parts of shorter records wait for each other more than they gain


@dataclass(frozen=True, slots=True)
class Unmet:
    """The conditions that a line leaves unmet in one shot: how many, and which in words."""

    reading: Reading
    reason: str


PartFinding: TypeAlias = Reading | Unmet  # about one entry


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


def findings_in(
    shot: ExaminedShot,
    measurement: Measurement,
    *,
    cores: int = 1,
    companions: ShotCompanions[PartFinding] | None = None,
) -> ShotFindings:
    """What one shot says by itself.

    Parameters
    ----------
    cores : how many threads, at most, evaluate what comes from different channels, where these are long enough for it
        to be worth it. What is found does not depend on it.
    companions : who does what other threads would do, as far as that is possible; without single occurrences.
    """
    tasks = _tasks(shot, measurement)
    parts = _parts(shot, measurement) if cores > 1 else []
    if len(parts) > 1:
        _load_metrics(measurement)  # by one thread
        channels_of = partial(_channels_elsewhere, measurement)
        elsewhere = () if companions is None else companions.at(shot.capture, channels_of)
        parts.sort(key=lambda part: channels_of(part) is not None)  # the other threads begin with the last one
        found = side_by_side(tasks, parts, cores=cores, elsewhere=elsewhere)
    else:
        found = [task() for task in tasks]
    names = [*measurement.compute, *measurement.expect]
    return ShotFindings(
        {name: one for name, one in zip(names, found, strict=True) if isinstance(one, Reading)},
        {name: one for name, one in zip(names, found, strict=True) if isinstance(one, Unmet)},
        {one.name: metered(shot.capture, one) for one in measurement.meterings},
    )


def _tasks(shot: ExaminedShot, measurement: Measurement) -> list[Callable[[], PartFinding]]:
    """What there is to find, entry by entry."""
    return [
        *(partial(_measured, shot, wanted) for wanted in measurement.compute.values()),
        *(partial(_unmet, shot, line, wanted) for line, wanted in measurement.expect.items()),
    ]


def _load_metrics(measurement: Measurement) -> None:
    for one in measurement.compute.values():
        if not one.on_frames:
            METRICS.find(one.metric)


def _channels_elsewhere(measurement: Measurement, numbers: Sequence[int]) -> Sequence[str] | None:
    """The channels that some entries need; None where one is decoded or derived: what is found on the way is kept."""
    entries = list(measurement.compute.values())
    if any(number >= len(entries) or entries[number].on_frames for number in numbers):
        return None
    channels = tuple(dict.fromkeys(name for number in numbers for name in entries[number].of))
    return None if any(name in measurement.derived for name in channels) else channels


def shot_companions(measurement: Measurement, *, cores: int) -> ShotCompanions[PartFinding] | None:
    """Companions for the shots of a measurement, to be started before it is set up; None where none are worth it."""
    samples = measurement.timebase.samples
    if cores < 2 or samples < LONG or measurement.compare or measurement.persistence is not None:
        return None
    parts = joined_parts([one.of for one in measurement.compute.values()])
    apart = [one for one in parts if _channels_elsewhere(measurement, one) is not None]
    if len(parts) < 2 or not apart:
        return None
    count = min(cores, len(parts)) - 1
    return ShotCompanions(partial(_part_of_shot, measurement), min(count, len(apart)), room=samples)


def _part_of_shot(measurement: Measurement, capture: Capture | None, numbers: Sequence[int]) -> list[PartFinding]:
    """In a companion: what is found about some entries in a capture that has the channels they need."""
    _load_metrics(measurement)
    if capture is None:
        return []
    tasks = _tasks(ExaminedShot(capture, measurement.model_copy(update={"derived": {}})), measurement)
    found = [tasks[number]() for number in numbers]
    return [without_occurrences(one) if isinstance(one, Reading) else one for one in found]


def findings_apart(measurement: Measurement, capture: Capture) -> ShotFindings:
    """The same for another process, without the single occurrences."""
    found = findings_in(ExaminedShot(capture, measurement), measurement)
    return replace(found, readings={name: without_occurrences(one) for name, one in found.readings.items()})


def without_occurrences(reading: Reading) -> Reading:
    """The same reading; nothing asks for the single occurrences in shots that are joined."""
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
