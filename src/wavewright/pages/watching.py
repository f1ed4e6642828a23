"""Following a recipe: each text of the file that is whole is measured, again and again, and every page is told.

All of it happens in the thread that calls `run`, the one that speaks to the instruments. Other threads only serve
pages, draw, and tell that the file may have changed.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from wavewright.analysis.reading import Reading
from wavewright.errors import Misuse, OutputMayBeOn, WavewrightError
from wavewright.pages.conversation import Reception, Wish
from wavewright.pages.drawing import Drawing, DrawnRecord
from wavewright.pages.page_requests import (
    EditRequest,
    MeasurementRequest,
    NudgeRequest,
    PaceRequest,
    ReferenceRequest,
    StepRequest,
    TextRequest,
)
from wavewright.pages.protocol import Doing, ShownOutputs, StateMessage
from wavewright.pages.recipe_document import RecipeDocument
from wavewright.pages.shown_results import density_message, frames_message, judged_results, readings_message
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.reporting.drawn_shot import DrawnShot
from wavewright.reporting.marks import Mark
from wavewright.reporting.pictures import marks_of
from wavewright.running.evaluation import Evaluation, readings_in
from wavewright.running.result import MeasurementOutcome, Result
from wavewright.running.shot import ExaminedShot
from wavewright.running.stored_waveforms import ReadStored, ReferenceWaveforms
from wavewright.waveform import Capture, Waveform

IDLE = 0.2  # s; how often a program that has nothing to do looks around
TELL_EVERY = 0.25  # s; how often the rate of shots is told
DENSITY_EVERY = 0.5  # s


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
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

    def _drawn(self) -> DrawnShot:
        one = MeasurementOutcome(self.measurement.name, self.measurement.condition, results=self.results)
        return DrawnShot(one, self.measurement, (), 0, self.shot, "shot")


class Shots(Protocol):
    """Where shots come from: a bench, or stored records."""

    is_simulated: bool

    @property
    def file(self) -> str:
        """The stored records, for the page; empty for a bench."""

    @property
    def distinct(self) -> int | None:
        """How many shots there are that differ from each other; None where there is always another one."""

    def set_up(self, recipe: Recipe, measurement: Measurement) -> None:
        """Make everything ready for the shots of a measurement; WavewrightError if that cannot be done."""

    def take(self) -> Capture:
        """The next shot; WavewrightError where there is none."""


class Watching:
    """One watch, from its first shot to its end.

    Parameters
    ----------
    document : the recipe file.
    shots : where they come from.
    reception : the pages.
    read_stored : reads stored waveforms, for `compare:` and masks.
    elapsed : s, of a clock that cannot jump.
    """

    def __init__(
        self,
        document: RecipeDocument,
        shots: Shots,
        reception: Reception,
        drawing: Drawing,
        *,
        measurement: str = "",
        read_stored: ReadStored | None = None,
        elapsed: Callable[[], float] = time.monotonic,
    ) -> None:
        self.document, self._shots, self._reception, self._drawing = document, shots, reception, drawing
        self._read_stored, self._elapsed = read_stored, elapsed
        self._wanted_label = measurement
        self._measurement: Measurement | None = None
        self._evaluation: Evaluation | None = None
        self._references = ReferenceWaveforms()
        self._last: _Seen | None = None
        self._kept: dict[str, Waveform] = {}
        self._pace: Doing = "running"
        self._fault = ""
        self._is_set_up = False
        self._taken = 0
        self._instants: list[float] = []
        self._told = self._told_density = float("-inf")

    def run(self, *, until: Callable[[], bool]) -> None:
        """Follow the file, take shots and do what pages ask for, until that is true."""
        self._take_recipe()
        while not until():
            for wish in self._waiting(idle=not self._is_to_shoot):
                self._attend(wish)
            if self._is_to_shoot:
                self._shoot()

    # ------------------------------------------------------------------------------------------------ wishes

    def _waiting(self, *, idle: bool) -> Iterator[Wish | None]:
        """All wishes that wait; an idle program waits a little for the first."""
        wishes = self._reception.wishes
        with suppress(queue.Empty):
            yield wishes.get(timeout=IDLE) if idle else wishes.get_nowait()
            while True:
                yield wishes.get_nowait()

    def _attend(self, wish: Wish | None) -> None:
        revision = self.document.revision
        try:
            if wish is None:
                self.document.look()
            else:
                self._grant(wish)
        except WavewrightError as fault:
            self._reception.tell(None if wish is None else wish.page, "refused", str(fault))
        if self.document.revision != revision:
            self._take_recipe()

    def _grant(self, wish: Wish) -> None:
        document = self.document
        match wish.request:
            case EditRequest() as one:
                document.edit(one.id, one.text, revision=one.revision)
            case NudgeRequest() as one:
                document.nudge(one.id, one.steps, revision=one.revision)
            case TextRequest() as one:
                document.type_text(one.text, revision=one.revision)
            case StepRequest() as one:
                (document.undo if one.do == "undo" else document.redo)(revision=one.revision)
            case PaceRequest() as one:
                self._pace = {"run": "running", "hold": "holding", "single": "single"}[one.do]  # type: ignore[assignment]
                self._tell_state()
            case MeasurementRequest() as one:
                self._choose(one.label)
            case ReferenceRequest() as one:
                self._keep_reference(keep=one.keep)
            case _:
                raise Misuse(f"`{wish.request.do}` cannot be done here yet")

    def _choose(self, label: str) -> None:
        recipe = self.document.now.recipe
        labels = [] if recipe is None else [one.label for one in recipe]
        if label not in labels:
            raise Misuse(f"the recipe has no measurement `{label}`", expected=f"one of {', '.join(labels)}")
        self._wanted_label = label
        self._begin()

    def _keep_reference(self, *, keep: bool) -> None:
        if keep and self._last is None:
            raise Misuse("there is no shot to be kept as reference")
        self._kept = {} if not keep or self._last is None else self._last.waves()
        if self._last is not None:
            self._show(self._last)

    # ------------------------------------------------------------------------------------------------ the recipe

    def _take_recipe(self) -> None:
        """The file has another text: tell it, and measure by it if it is whole.

        A text with faults is never sent to the bench, and the last good one is not measured on either: its readings
        would stand beside a text that they are not of. The bench holds.
        """
        self._reception.audience.publish(self.document.message(simulated=self._shots.is_simulated))
        self._begin()

    def _begin(self) -> None:
        """Begin anew with the measurement that is wanted."""
        recipe = self.document.now.recipe
        self._is_set_up, self._fault, self._taken = False, "", 0
        self._instants.clear()
        if recipe is None:
            self._measurement = self._evaluation = None
            first = self.document.now.faults[0]
            self._fault = f"line {first.line}: {first.text}" if first.line else first.text
            self._tell_state()
            return
        known = {one.label: one for one in recipe}
        measurement = known.get(self._wanted_label) or next(iter(recipe))
        self._measurement, self._wanted_label = measurement, measurement.label
        self._reception.audience.forget("density", "frames", "readings")
        try:
            self._references = ReferenceWaveforms(recipe, read_stored=self._read_stored)
            self._references.load([measurement])
            self._evaluation = Evaluation(measurement, references=self._references, newest=measurement.shots)
            self._tell_state("setting up")
            self._shots.set_up(recipe, measurement)
            self._is_set_up = True
        except OutputMayBeOn:
            raise
        except WavewrightError as fault:
            self._fail(fault)
        self._tell_state()

    # ------------------------------------------------------------------------------------------------ shots

    @property
    def _is_to_shoot(self) -> bool:
        if not self._is_set_up or self._pace == "holding":
            return False
        distinct = self._shots.distinct
        if distinct is not None and self._taken >= distinct:  # the same again would tell nothing new
            return False
        return self._pace == "single" or self._taken == 0 or self._reception.audience.count > 0

    def _shoot(self) -> None:
        """One shot: taken, evaluated, shown."""
        measurement, evaluation = self._measurement, self._evaluation
        assert measurement is not None
        assert evaluation is not None
        try:
            shot = ExaminedShot(self._shots.take(), measurement)
        except OutputMayBeOn:
            raise
        except WavewrightError as fault:
            self._fail(fault)
            return
        self._taken += 1
        self._fault = ""
        self._references.offer(measurement, shot)
        readings = readings_in(shot, measurement)
        evaluation.add(shot, readings=readings)
        results = judged_results(measurement, evaluation)
        self._last = _Seen(self._taken, shot, measurement, readings, results)
        self._show(self._last)
        self._publish(measurement, evaluation, shot, results)
        if self._pace == "single":
            self._pace = "holding"
        self._note_rate()

    def _publish(
        self, measurement: Measurement, evaluation: Evaluation, shot: ExaminedShot, results: Sequence[Result]
    ) -> None:
        simulated, audience = self._shots.is_simulated, self._reception.audience
        audience.publish(readings_message(measurement, results, shots=evaluation.shots, simulated=simulated))
        if measurement.decode:
            audience.publish(frames_message(measurement, shot, simulated=simulated))
        now = self._elapsed()
        counted = evaluation.persistence
        if counted is not None and now - self._told_density >= DENSITY_EVERY:
            self._told_density = now
            found = density_message(measurement, counted, simulated=simulated)
            if found is not None:
                audience.publish(*found)

    def _show(self, seen: _Seen) -> None:
        record = DrawnRecord(
            seen.measurement.label,
            seen.number,
            self._taken,
            seen.waves(),
            self._shots.is_simulated,
            trigger_time=seen.shot.capture.trigger_time,
            marks=seen.marks,
            reference=self._kept,
        )
        self._drawing.show(record)

    def _fail(self, fault: WavewrightError) -> None:
        """Say why there is no shot; the bench holds until the file changes or somebody wants another shot."""
        self._fault = str(fault)
        self._is_set_up = False
        self._reception.tell(None, "fault", str(fault))
        self._tell_state()

    # ------------------------------------------------------------------------------------------------ the state

    def _note_rate(self) -> None:
        now = self._elapsed()
        self._instants = [*self._instants[-20:], now]
        if now - self._told >= TELL_EVERY or self._pace != "running" or self._taken == 1:
            self._tell_state()

    @property
    def _rate(self) -> float:
        if len(self._instants) < 2 or self._instants[-1] <= self._instants[0]:
            return 0.0
        return (len(self._instants) - 1) / (self._instants[-1] - self._instants[0])

    def _tell_state(self, message: str = "") -> None:
        self._told = self._elapsed()
        recipe = self.document.now.recipe
        doing: Doing = self._pace
        if self._fault:
            doing = "faulty" if recipe is None else "stopped"
            message = self._fault
        self._reception.audience.publish(
            StateMessage(
                simulated=self._shots.is_simulated,
                doing=doing,
                message=message,
                shots=self._taken,
                rate=self._rate,
                outputs=self._outputs(),
                measurement=self._wanted_label,
                measurements=tuple(one.label for one in recipe or ()),
                cautions=() if recipe is None else recipe.cautions,
                place=(self._measurement.place or "") if self._measurement is not None else "",
                file=self._shots.file,
            )
        )

    def _outputs(self) -> ShownOutputs:
        return ShownOutputs()

    def end(self, why: str) -> None:
        """Say that it has ended."""
        self._reception.audience.publish(
            StateMessage(simulated=self._shots.is_simulated, doing="stopped", message=why, file=self._shots.file)
        )
