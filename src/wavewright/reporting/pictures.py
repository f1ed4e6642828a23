"""Which pictures a measurement gets: its decisive shot with marks, and what its readings were computed from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wavewright.analysis.catalogue import find_metric
from wavewright.analysis.parameters import Condition, ReferenceLevel
from wavewright.analysis.reading import Reading
from wavewright.errors import FileFault, Misuse, NotMeasurable, StorageFault
from wavewright.judgement.verdict import Verdict
from wavewright.quantities import read_interval, show_quantity
from wavewright.reporting.frame_strip import strip_marks
from wavewright.reporting.picture import Picture
from wavewright.reporting.traces import LevelMark, Mark, SpanMark, marks_of_reading, trace_picture
from wavewright.running.evaluation import readings_of
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome, Result
from wavewright.running.shot import ExaminedShot

if TYPE_CHECKING:
    from wavewright.recipe.measurement import Measurement
    from wavewright.recipe.recipe import Recipe
    from wavewright.waveform import Capture, Waveform

# readings that are themselves a level of their channel, so that their limit can be drawn across it
LEVELS = frozenset({"maximum", "minimum", "mean", "cycle_mean", "high_level", "low_level"})


@dataclass(frozen=True, slots=True, eq=False)
class Subject:
    """What the pictures of a measurement are made of.

    Parameters
    ----------
    one : as it is stored; measurement : as the recipe says it.
    shots : all that were kept; number : of the one to be shown.
    shot : that one, examined: its channels, those derived from them, and its frames.
    anchor : begins the name of each picture.
    """

    one: MeasurementOutcome
    measurement: Measurement
    shots: Sequence[Capture]
    number: int
    shot: ExaminedShot
    anchor: str

    def waves(self) -> dict[str, Waveform]:
        """The channels, and what was derived from them, as far as it could be."""
        found = dict(self.shot.capture.waveforms)
        for name in self.measurement.derived:
            with suppress(NotMeasurable):
                found[name] = self.shot.wave(name)
        return found


Maker = Callable[[Subject], Iterator[Picture]]


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
        subject = Subject(one, measurement, shots, number, examined, anchor)
    waves = subject.waves() if subject else capture.waveforms
    yield trace_picture(
        waves,
        trigger_time=capture.trigger_time,
        name=f"{anchor}-trace",
        title=_title(one, number, len(shots)),
        marks=list(marks_of(subject)) if subject else (),
        keep_codes=sum(wave.codes.nbytes for wave in waves.values()) <= budget,
    )
    if subject is not None:
        for maker in makers():
            yield from maker(subject)


def subject_of(outcome: Outcome) -> tuple[MeasurementOutcome, Subject]:
    """What one picture of a whole run shows: the measurement with the worst verdict, in its decisive shot.

    Raises
    ------
    Misuse : no measurement has a shot, or this version does not read the recipe of the run.
    """
    from wavewright.recipe.load import parse_recipe

    recipe = parse_recipe(outcome.recipe.text, outcome.recipe.file, set=outcome.parameters)
    wanted = {each.label: each for each in recipe}
    drawable = [one for one in outcome.measurements if one.label in wanted and len(outcome.captures.get(one.label, ()))]
    if not drawable:
        raise Misuse(f"no shot of `{outcome.title}` was kept", expected="captures beside the outcome")
    one = max(drawable, key=lambda each: -1 if each.verdict is None else each.verdict.severity)
    shots = outcome.captures[one.label]
    number = decisive_shot(one, len(shots))
    measurement = wanted[one.label]
    return one, Subject(one, measurement, shots, number, ExaminedShot(shots[number], measurement), "picture")


def makers() -> tuple[Maker, ...]:
    """What else is drawn, beside the trace."""
    from wavewright.reporting.density_picture import density_pictures
    from wavewright.reporting.eye_picture import eye_pictures
    from wavewright.reporting.spectrum_picture import spectrum_pictures

    return (spectrum_pictures, density_pictures, eye_pictures)


def _title(one: MeasurementOutcome, number: int, shots: int) -> str:
    if shots == 1:
        return "The shot"
    failed = sorted((result for result in one.results if result.verdict is Verdict.FAIL), key=_urgency)
    if not failed or failed[0].decisive_shot != number:
        return f"Shot {number + 1} of {shots}"
    return f"Shot {number + 1} of {shots}, {'the one' if len(failed[0].shots) > 1 else 'one of those'} that decided"


def decisive_shot(one: MeasurementOutcome, shots: int) -> int:
    """The shot to show: the one that decided the worst result, else the one nearest to a limit, else the first."""
    judged = [result for result in one.results if result.verdict is not None]
    for result in sorted(judged, key=_urgency):
        if result.decisive_shot is not None and result.decisive_shot < shots:
            return result.decisive_shot
        numbers = [reading.value for reading in result.shots]
        known = [
            (abs(value - (result.reading.value or 0.0)), shot)
            for shot, value in enumerate(numbers)
            if value is not None
        ]
        if known and result.reading.value is not None:
            return min(known)[1]
    return 0


def marks_of(subject: Subject) -> Iterator[Mark]:
    """Everything that is drawn into the trace of a shot: levels, limits, what readings were taken from, frames."""
    drawn: set[tuple[str, float]] = set()
    readings = readings_of(subject.shot.capture, subject.measurement)
    for result in subject.one.results:
        channel = result.of[0] if result.of else ""
        reading = readings.get(result.name)
        is_bad = result.verdict in (Verdict.FAIL, Verdict.ERROR)
        decoding = subject.measurement.decode.get(channel)
        if decoding is not None and reading is not None and reading.at is not None:
            yield _worst_mark(result, reading, next(iter(decoding.channels.values())), is_bad)
        if reading is None or channel not in subject.waves():
            continue
        yield from marks_of_reading(_label(result, reading), channel, reading, is_bad=is_bad)
        for mark in (*_limits(result, channel), *_reference_levels(subject, result, channel)):
            if (channel, mark.value) not in drawn:
                drawn.add((channel, mark.value))
                yield mark
    yield from strip_marks(subject)


def _worst_mark(result: Result, reading: Reading, channel: str, is_bad: bool) -> SpanMark:
    """Where on a bus the occurrence was that decided: from begin to end if it is a time."""
    assert reading.at is not None
    lasting = reading.value if reading.unit == "s" and reading.value is not None else 0.0
    return SpanMark(channel, reading.at, reading.at + lasting, _label(result, reading), is_bad)


def _urgency(result: Result) -> tuple[int, float]:
    severity = result.verdict.severity if result.verdict is not None else 0
    return (-severity, result.relative_margin if result.relative_margin is not None else float("inf"))


def _label(result: Result, reading: Reading) -> str:
    if reading.value is None:
        return result.name
    return f"{result.name} {show_quantity(reading.value, reading.unit, uncertainty=reading.uncertainty)}"


def _limits(result: Result, channel: str) -> Iterator[LevelMark]:
    if result.metric not in LEVELS or not result.limit:
        return
    try:
        interval = read_interval(result.limit, unit=result.reading.unit)
    except Misuse:
        return
    for value, word in ((interval.low, "lowest"), (interval.high, "highest")):
        if abs(value) != float("inf"):
            yield LevelMark(channel, value, f"{word} {result.name}: {show_quantity(value, result.reading.unit)}", True)


def _reference_levels(subject: Subject, result: Result, channel: str) -> Iterator[LevelMark]:
    """The levels whose crossings a metric takes: its options of that kind, given or by default."""
    try:
        metric = find_metric(result.metric)
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
        yield LevelMark(channel, value, f"{level} level" if level.is_ratio else show_quantity(value, survey.unit))
