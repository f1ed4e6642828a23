"""Which pictures a measurement gets: its decisive shot with marks, and what its readings were computed from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.parameters import Condition, ReferenceLevel
from wavewright.analysis.reading import Reading
from wavewright.errors import FileFault, Misuse, NotMeasurable, StorageFault
from wavewright.judgement.verdict import Verdict
from wavewright.quantities import read_interval, show_quantity
from wavewright.reporting.density_picture import density_pictures
from wavewright.reporting.drawn_shot import DrawnShot, decisive_shot, urgency
from wavewright.reporting.eye_picture import eye_pictures
from wavewright.reporting.frame_strip import strip_marks
from wavewright.reporting.marks import LevelMark, Mark, MarkRole, SpanMark
from wavewright.reporting.picture import Picture
from wavewright.reporting.spectrum_picture import spectrum_pictures
from wavewright.reporting.traces import trace_picture
from wavewright.running.evaluation import readings_of
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome, Result
from wavewright.running.shot import ExaminedShot

if TYPE_CHECKING:
    from wavewright.recipe.recipe import Recipe

# readings that are themselves a level of their channel, so that their limit can be drawn across it
LEVELS = frozenset({"maximum", "minimum", "mean", "cycle_mean", "high_level", "low_level"})
MOST_MARKS = 40  # of one result in one picture; a hundred thousand crossings would hide what they mark


Maker = Callable[[DrawnShot], Iterator[Picture]]


def pictures_of(
    outcome: Outcome, one: MeasurementOutcome, recipe: Recipe | None, *, anchor: str, budget: int
) -> Iterator[Picture]:
    """The pictures of one measurement; none where no shot was kept, or what was kept cannot be read.

    Parameters
    ----------
    recipe : None where this version cannot read it: then the trace is drawn without marks.
    budget : bytes of raw codes that may go into the pictures.
    """
    try:
        shots = outcome.captures.get(one.label, ())
        number = decisive_shot(one, len(shots))
        capture = shots[number]
        measurement = {each.label: each for each in recipe or ()}.get(one.label)
        if measurement is not None:  # a channel that is lacking shows here
            examined = ExaminedShot(capture, measurement)
            for channel in measurement.channels:
                examined.wave(channel)
    except (StorageFault, FileFault, IndexError):
        return
    subject = None
    if measurement is not None:
        subject = DrawnShot(one, measurement, shots, number, examined, anchor)
    waves = subject.waves() if subject else capture.waveforms
    yield trace_picture(
        waves,
        trigger_time=capture.trigger_time,
        name=f"{anchor}-trace",
        title=_title(one, number, len(shots)),
        marks=marks_of(subject) if subject else None,
        keep_codes=sum(wave.codes.nbytes for wave in waves.values()) <= budget,
    )
    if subject is not None:
        for maker in makers():
            yield from maker(subject)


def makers() -> tuple[Maker, ...]:
    """What else is drawn, beside the trace."""
    return (spectrum_pictures, density_pictures, eye_pictures)


def _title(one: MeasurementOutcome, number: int, shots: int) -> str:
    if shots == 1:
        return "Waveform"
    failed = sorted((result for result in one.results if result.verdict is Verdict.FAIL), key=urgency)
    if not failed or failed[0].decisive_shot != number:
        return f"Shot {number + 1} of {shots}"
    return f"Shot {number + 1} of {shots} ({'worst' if len(failed[0].shots) > 1 else 'one of the worst'})"


def marks_of(subject: DrawnShot, readings: Mapping[str, Reading] | None = None) -> dict[str, list[Mark]]:
    """What is drawn into each trace of a shot: levels, limits, what readings were taken from, frames.

    Parameters
    ----------
    readings : of the shot by name of the entry, where they have been computed already.
    """
    found: dict[str, list[Mark]] = {}
    known = readings_of(subject.shot.capture, subject.measurement) if readings is None else readings
    for channel, mark in _marks(subject, known):
        marks = found.setdefault(channel, [])
        if mark not in marks:
            marks.append(mark)
    return found


def _marks(subject: DrawnShot, readings: Mapping[str, Reading]) -> Iterator[tuple[str, Mark]]:
    for result in subject.one.results:
        channel = result.of[0] if result.of else ""
        reading = readings.get(result.name)
        role = MarkRole.FAILED if result.verdict in (Verdict.FAIL, Verdict.ERROR) else MarkRole.READING
        decoding = subject.measurement.decode.get(channel)
        if decoding is not None and reading is not None and reading.at is not None:
            yield next(iter(decoding.channels.values())), _worst_mark(result, reading, role)
        if reading is None or channel not in subject.waves():
            continue
        yield from ((channel, mark) for mark in _occurrences(_label(result, reading), reading, role))
        yield from ((channel, mark) for mark in _limits(result))
        yield from ((channel, mark) for mark in _reference_levels(subject, result, channel))
    yield from strip_marks(subject)


def _worst_mark(result: Result, reading: Reading, role: MarkRole) -> SpanMark:
    """Where on a bus the decisive occurrence was: from begin to end if it is a time."""
    assert reading.at is not None
    lasting = reading.value if reading.unit == "s" and reading.value is not None else 0.0
    return SpanMark(reading.at, reading.at + lasting, _label(result, reading), role)


def _occurrences(label: str, reading: Reading, role: MarkRole) -> Iterator[SpanMark]:
    """Where a reading found its subject: begin and end for durations, instants for everything else."""
    if reading.occurrences is None:
        return
    times, values = reading.occurrences.times[:MOST_MARKS], reading.occurrences.values[:MOST_MARKS]
    for number, (time, value) in enumerate(zip(times.tolist(), values.tolist(), strict=True)):
        last = time + value if reading.unit == "s" else time
        yield SpanMark(time, last, "" if number else label, role)


def _label(result: Result, reading: Reading) -> str:
    if reading.value is None:
        return result.name
    return f"{result.name} {show_quantity(reading.value, reading.unit, uncertainty=reading.uncertainty)}"


def _limits(result: Result) -> Iterator[LevelMark]:
    if result.metric not in LEVELS or not result.limit:
        return
    try:
        interval = read_interval(result.limit, unit=result.reading.unit)
    except Misuse:
        return
    for value, word in ((interval.low, "lowest"), (interval.high, "highest")):
        if abs(value) != float("inf"):
            yield LevelMark(value, f"{word} {result.name}: {show_quantity(value, result.reading.unit)}", MarkRole.LIMIT)


def _reference_levels(subject: DrawnShot, result: Result, channel: str) -> Iterator[LevelMark]:
    """The levels whose crossings a metric takes: its options of that kind, given or by default."""
    try:
        metric = METRICS.find(result.metric)
        given = subject.measurement.compute[result.name].options
        defaults = [parameter.default for parameter in metric.parameters if parameter.name not in given]
        options = [*metric.options(given).values(), *defaults]
    except (Misuse, KeyError):  # a reading of frames, an expectation, a comparison
        return
    for option in options:
        level = option.level if isinstance(option, Condition) else option
        if not isinstance(level, ReferenceLevel):
            continue
        try:
            survey = subject.shot.survey(channel)
            value = survey.level(level)
        except NotMeasurable:
            continue
        label = f"{level} level" if level.is_ratio else show_quantity(value, survey.unit)
        yield LevelMark(value, label, MarkRole.REFERENCE)
