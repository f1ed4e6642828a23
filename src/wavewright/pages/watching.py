"""Following a recipe: each text of the file that is whole is measured, again and again, and every page is told.

All of it happens in the thread that calls `run`, the one that speaks to the instruments. Other threads only serve
pages, draw, guard, and tell that the file may have changed.

What happens at a text with faults: it is never sent to the bench, and the last good one is not measured on either,
since its readings would stand beside a text that they are not of. The bench holds, outputs go off.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

from wavewright.errors import Misuse, NotMeasurable, NoTrigger, OutputMayBeOn, WavewrightError
from wavewright.pages.conversation import Reception, Wish
from wavewright.pages.document_changes import change_document, needed, needed_shot
from wavewright.pages.drawing import Drawing, DrawnRecord
from wavewright.pages.jumps import next_place
from wavewright.pages.output_consent import PATIENCE, OutputConsent
from wavewright.pages.page_requests import (
    MeasurementRequest,
    NextRequest,
    OutputsRequest,
    PaceRequest,
    ReferenceRequest,
)
from wavewright.pages.protocol import Doing, ShownOutputs, StateMessage
from wavewright.pages.recipe_document import RecipeDocument
from wavewright.pages.seen_shots import SeenShot, SeenShots
from wavewright.pages.shot_source import Shots
from wavewright.pages.shown_pictures import ShownPictures
from wavewright.pages.shown_results import density_message, frames_message, readings_message
from wavewright.recipe.measurement import Measurement
from wavewright.running.shot_stopping import ShotStopper, StoppedShort
from wavewright.running.stored_waveforms import ReadStored
from wavewright.waveform import Waveform

IDLE = 0.2  # s; how often a program that has nothing to do looks around
TELL_EVERY = 0.25  # s; how often the rate of shots is told
DENSITY_EVERY = 0.5  # s
RATE_OVER = 20  # shots
PACES: dict[str, Doing] = {"run": "running", "hold": "holding", "single": "single"}


@dataclass(slots=True)
class _Told:
    """When what was told last, s, and the instants of the last shots."""

    state: float = float("-inf")
    density: float = float("-inf")
    shots: tuple[float, ...] = ()

    @property
    def rate(self) -> float:
        """Shots per second."""
        span = self.shots[-1] - self.shots[0] if self.shots else 0.0
        return (len(self.shots) - 1) / span if span > 0 else 0.0


class Watching:
    """One watch, from its first shot to its end.

    Parameters
    ----------
    document : the recipe file.
    shots : where they come from.
    reception : the pages; drawing : their pictures; consent : what outputs may do.
    stopper : ends the evaluation of a shot, where an output is to go off.
    pictures : of where the probes go, which the server shows.
    measurement : label of the one to show first; the recipe's first if empty.
    read_stored : reads stored waveforms, for `compare:` and masks.
    elapsed : s, of a clock that cannot jump; now : UTC, in s since 1970.
    """

    def __init__(
        self,
        document: RecipeDocument,
        shots: Shots,
        reception: Reception,
        drawing: Drawing,
        consent: OutputConsent,
        *,
        stopper: ShotStopper,
        pictures: ShownPictures | None = None,
        measurement: str = "",
        read_stored: ReadStored | None = None,
        elapsed: Callable[[], float] = time.monotonic,
        now: Callable[[], float] = time.time,
    ) -> None:
        self.document, self._shots, self._reception, self._drawing = document, shots, reception, drawing
        self._consent, self._stopper, self._read_stored = consent, stopper, read_stored
        self._elapsed, self._now = elapsed, now
        self._pictures = pictures or ShownPictures()
        self._label = measurement
        self._seen: SeenShots | None = None
        self._shown: SeenShot | None = None
        self._measured = 0  # revision of the recipe that the last shot was taken by
        self._reference: dict[str, Waveform] = {}
        self._pace: Doing = "running"
        self._fault, self._waits = "", ""
        self._asked: tuple[str, ...] = ()
        self._set_up_for: Measurement | None = None
        self._told = _Told()

    def run(self, *, until: Callable[[], bool]) -> None:
        """Follow the file, take shots and do what pages ask for, until that is true."""
        self.document.look()  # it may have been written since it was read, before anybody followed it
        self._take_recipe()
        while not until():
            for wish in self._waiting(idle=not self._is_to_shoot):
                self._attend(wish)
            self._look_after_outputs()
            if self._is_to_shoot:
                self._shoot()

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
        except OutputMayBeOn:
            raise
        except WavewrightError as fault:
            self._reception.tell(None if wish is None else wish.page, "refused", str(fault))
        if self.document.revision != revision:
            self._take_recipe()
        elif wish is None:  # a picture of where the probes go may be another one
            self._tell_state()

    def _grant(self, wish: Wish) -> None:
        match wish.request:
            case PaceRequest() as one:
                is_faulty = self.document.now.recipe is None
                self._pace, self._fault = PACES[one.do], self._fault if is_faulty else ""
                self._tell_state()
            case MeasurementRequest() as one:
                self._choose(one.label)
            case ReferenceRequest() as one:
                self._keep_reference(keep=one.keep)
            case OutputsRequest() as one:
                self._switch(one)
            case NextRequest() as one:
                self._jump(one, wish)
            case one:
                if said := change_document(self.document, one, self._seen, self._shown):
                    self._reception.tell(wish.page, "note", said)

    def _choose(self, label: str) -> None:
        recipe = self.document.now.recipe
        labels = [] if recipe is None else [one.label for one in recipe]
        if label not in labels:
            raise Misuse(f"the recipe has no measurement `{label}`", expected=f"one of {', '.join(labels)}")
        if label != self._label:
            self._consent.withdraw("another measurement is shown")
        self._label = label
        self._begin()

    def _keep_reference(self, *, keep: bool) -> None:
        self._reference = needed_shot(self._seen, self._shown).waves() if keep else {}
        self._show()

    def _jump(self, wanted: NextRequest, wish: Wish) -> None:
        seen, shown = needed(self._seen), needed_shot(self._seen, self._shown)
        found = next_place(wanted, seen, shown, simulated=self._shots.is_simulated)
        other = seen.kept(found.shot)
        if other is not None and other is not shown:
            self._pace, self._shown = "holding", other
            self._show()
            self._tell_state(f"shot {found.shot} is shown")
        self._reception.audience.publish(found, to=wish.page)

    def _switch(self, wanted: OutputsRequest) -> None:
        """Take or end the consent of the person to what the measurement does with outputs."""
        if not wanted.confirm:
            self._consent.withdraw("switched off at the page")
            self._look_after_outputs()
            return
        self.document.check_newest(wanted.revision)
        if self.document.now.recipe is None or not self._asked:
            raise Misuse("nothing is to be switched on", do="look at the newest text of the recipe")
        self._consent.give(self._asked)
        self._fault = ""
        self._tell_state()

    def _look_after_outputs(self) -> None:
        """Outputs off, confirmed, as soon as the consent is not for what the measurement does with them."""
        if not self._shots.outputs_on or self._consent.covers(self._asked):
            return
        self._shots.outputs_off()
        self._reception.tell(None, "warning", f"outputs are off: {self._consent.why_withdrawn or 'no confirmation'}")
        self._tell_state()

    def _take_recipe(self) -> None:
        """The file has another text: tell it, and measure by it if it is whole."""
        self._reception.audience.publish(self.document.message(simulated=self._shots.is_simulated))
        self._begin()

    def _begin(self) -> None:
        """Begin anew with the measurement that is wanted."""
        recipe = self.document.now.recipe
        self._fault, self._waits, self._seen, self._told = "", "", None, _Told()
        self._asked = ()
        self._reception.audience.forget("density", "frames", "readings")
        if recipe is None:
            first = self.document.now.faults[0]
            self._fault = f"line {first.line}: {first.text}" if first.line else first.text
            self._consent.withdraw("the recipe has faults")
        else:
            known = {one.label: one for one in recipe}
            measurement = known.get(self._label) or next(iter(recipe))
            self._label = measurement.label
            try:
                self._asked = self._shots.outputs_asked(measurement)
                self._seen = SeenShots(recipe, measurement, read_stored=self._read_stored)
            except WavewrightError as fault:
                self._fail(fault)
            self._pictures.show(str(self.document.path), measurement)
            if not self._consent.covers(self._asked):
                self._consent.withdraw("the recipe now does something else with outputs")
        self._look_after_outputs()
        self._set_up_for = None
        self._set_up()

    def _set_up(self) -> None:
        """Make the bench ready, if a measurement is wanted and its outputs, if any, are confirmed."""
        recipe, seen = self.document.now.recipe, self._seen
        if recipe is None or seen is None or (self._asked and not self._consent.covers(self._asked)):
            self._tell_state()
            return
        if self._shots.is_ready and self._set_up_for is seen.measurement:
            return
        self._tell_state("setting up")
        self._set_up_for = None
        try:
            self._shots.set_up(recipe, seen.measurement)
            self._set_up_for = seen.measurement
        except OutputMayBeOn:
            raise
        except WavewrightError as fault:
            self._fail(fault)
        except StoppedShort:  # whoever ended it is attended to, and then it is begun again
            pass
        self._tell_state()

    @property
    def _is_to_shoot(self) -> bool:
        if self._seen is None or self._fault or self._pace == "holding":
            return False
        if self._asked and not self._consent.covers(self._asked):
            return False
        distinct = self._shots.distinct
        if distinct is not None and self._seen.count >= distinct:  # the same again would tell nothing new
            return False
        return self._pace == "single" or self._seen.count == 0 or self._reception.audience.count > 0

    def _shoot(self) -> None:
        """One shot: taken, evaluated, shown."""
        self._set_up()
        if self._seen is None or self._fault or self._set_up_for is not self._seen.measurement:
            return
        try:
            shot = self._shots.take()
        except OutputMayBeOn:
            raise
        except (NoTrigger, NotMeasurable) as fault:  # the next one may do better
            self._waits = fault.what
            self._tell_state()
            return
        except WavewrightError as fault:
            self._fail(fault)
            return
        except StoppedShort:
            return
        try:
            with self._stopper.allowed(only_urgent=True):
                shown = self._seen.add(shot)
        except StoppedShort:  # in the middle: what has been counted so far is in doubt, and is not kept
            self._begin()
            return
        self._shown, self._waits, self._measured = shown, "", self.document.revision
        if self._pace == "single":
            self._pace = "holding"
        self._show()
        self._publish(self._seen, shown)
        now = self._elapsed()
        self._told.shots = (*self._told.shots[-RATE_OVER:], now)
        if now - self._told.state >= TELL_EVERY or shown.number == 1 or not self._is_to_shoot:
            self._tell_state()

    def _publish(self, seen: SeenShots, shown: SeenShot) -> None:
        simulated, audience, measurement = self._shots.is_simulated, self._reception.audience, seen.measurement
        readings = readings_message(measurement, shown.results, shots=seen.judged, simulated=simulated)
        audience.publish(replace(readings, revision=self._measured))
        if measurement.decode:
            frames = frames_message(measurement, shown.shot, simulated=simulated)
            audience.publish(replace(frames, revision=self._measured))
        is_due = self._elapsed() - self._told.density >= DENSITY_EVERY or not self._is_to_shoot
        if seen.persistence is not None and is_due:
            self._told.density = self._elapsed()
            found = density_message(measurement, seen.persistence, simulated=simulated)
            if found is not None:
                density, counts = found
                audience.publish(replace(density, revision=self._measured), counts)

    def _show(self) -> None:
        shown = self._shown
        if shown is None:
            return
        record = DrawnRecord(
            shown.measurement.label,
            shown.number,
            shown.number if self._seen is None else self._seen.count,
            shown.waves(),
            self._shots.is_simulated,
            trigger_time=shown.shot.capture.trigger_time,
            marks=shown.marks,
            reference=self._reference,
            revision=self._measured,
        )
        self._drawing.show(record)

    def _fail(self, fault: WavewrightError) -> None:
        """Say why there is no shot; the bench holds until the file changes or somebody wants another shot."""
        self._fault = str(fault)
        self._consent.withdraw("a fault ended the measurement")
        self._reception.tell(None, "fault", str(fault))

    def _tell_state(self, message: str = "") -> None:
        self._told.state = self._elapsed()
        recipe, seen, is_on = self.document.now.recipe, self._seen, self._shots.outputs_on
        is_confirmed = self._consent.covers(self._asked)
        doing = self._pace
        if self._fault:
            doing, message = ("faulty" if recipe is None else "stopped"), self._fault
        elif self._asked and not is_confirmed:
            doing, message = "waiting", "the recipe switches outputs: read its cautions, then confirm"
        elif self._waits:
            doing, message = "waiting", self._waits
        silence = self._reception.audience.silence_of_hand()
        off_at = self._now() + max(0.0, PATIENCE - silence) if is_on else None
        outputs = ShownOutputs(bool(self._asked), is_confirmed, is_on, off_at, self._asked)
        self._reception.audience.publish(
            StateMessage(
                simulated=self._shots.is_simulated,
                doing=doing,
                message=message,
                shots=0 if seen is None else seen.count,
                rate=self._told.rate,
                outputs=outputs,
                measurement=self._label,
                measurements=tuple(one.label for one in recipe or ()),
                cautions=() if recipe is None else recipe.cautions,
                place="" if seen is None else seen.measurement.place or "",
                pictures=() if seen is None else self._pictures.shown,
                file=self._shots.file,
                patience=PATIENCE,
            )
        )

    def step(self, text: str) -> None:
        """Something that takes a while begins."""
        self._tell_state(text)

    def end(self, why: str) -> None:
        """Say that it has ended."""
        stopped = StateMessage(simulated=self._shots.is_simulated, doing="stopped", message=why, file=self._shots.file)
        self._reception.audience.publish(stopped)
