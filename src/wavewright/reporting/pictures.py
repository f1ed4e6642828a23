"""Which pictures a measurement gets: its decisive shot with marks, and what its readings were computed from."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from wavewright.judgement.verdict import Verdict
from wavewright.reporting.decisive_marks import marks_of
from wavewright.reporting.density_picture import density_pictures
from wavewright.reporting.drawn_shot import DrawnShot, decisive_shot, urgency
from wavewright.reporting.eye_picture import eye_pictures
from wavewright.reporting.picture import Picture
from wavewright.reporting.spectrum_picture import spectrum_pictures
from wavewright.reporting.traces import trace_picture
from wavewright.reporting.xy_picture import xy_pictures
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome, Result
from wavewright.running.shot import ExaminedShot

if TYPE_CHECKING:
    from wavewright.recipe.recipe import Recipe

MOST_NAMED = 20  # shots in a title

Maker = Callable[[DrawnShot], Iterator[Picture]]


def pictures_of(
    outcome: Outcome, one: MeasurementOutcome, recipe: Recipe | None, *, anchor: str, budget: int
) -> Iterator[Picture]:
    """The pictures of one measurement; none where no shot was kept.

    Parameters
    ----------
    recipe : None where this version cannot read it: then the trace is drawn without marks.
    budget : bytes of raw codes that may go into the pictures.

    Raises
    ------
    StorageFault, FileFault : what was kept cannot be read.
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
    except IndexError:
        return
    subject = None
    if measurement is not None:
        subject = DrawnShot(one, measurement, shots, number, examined, anchor)
    waves = subject.waves() if subject else capture.waveforms
    yield trace_picture(
        waves,
        trigger_time=capture.trigger_time,
        name=f"{anchor}-trace",
        title=_title(subject, one, number, len(shots)),
        marks=marks_of(subject) if subject else None,
        keep_codes=sum(wave.codes.nbytes for wave in waves.values()) <= budget,
    )
    if subject is not None:
        for maker in makers():
            yield from maker(subject)


def makers() -> tuple[Maker, ...]:
    """What else is drawn, beside the trace."""
    return (spectrum_pictures, density_pictures, eye_pictures, xy_pictures)


def _title(subject: DrawnShot | None, one: MeasurementOutcome, number: int, shots: int) -> str:
    """Which shot is drawn, and which shots decided."""
    if shots == 1:
        return "Waveform"
    name = f"Shot {number + 1} of {shots}"
    failed = sorted((result for result in one.results if result.verdict is Verdict.FAIL), key=urgency)
    if not failed:
        return name
    if failed[0].decisive_shot is None and failed[0].over in ("max", "min"):
        return f"{name}, the one with the {failed[0].over} of {failed[0].name}"
    if failed[0].decisive_shot != number:
        return name
    if len(failed[0].shots) > 1:
        return f"{name} (worst)"
    deciding = deciding_shots(subject, failed[0]) if subject is not None else ()
    if len(deciding) < 2:
        return f"{name}, the decisive one"
    named = ", ".join(str(shot + 1) for shot in deciding[:MOST_NAMED])
    more = f" and {len(deciding) - MOST_NAMED} more" if len(deciding) > MOST_NAMED else ""
    return f"{name}, one of the {len(deciding)} that decided: {named}{more}"


def deciding_shots(subject: DrawnShot, result: Result) -> tuple[int, ...]:
    """The shots, from 0, that a number over all shots counts, the weightiest first; none for other numbers."""
    counted = subject.persistence
    if counted is None:
        return ()
    if result.metric == "rare_shots":
        return tuple(path.shot for path in counted.rare_paths())
    if result.metric == "violations" and counted.test is not None:
        return tuple(dict.fromkeys(one.shot for one in counted.test.violations))
    return ()
