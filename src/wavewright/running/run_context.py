"""What a run has beside the recipe: the operator, who follows it, where captures go, and the clock."""

from __future__ import annotations

import io
import logging
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TextIO, runtime_checkable

from wavewright.instruments.spent_time import SpentTime, TimePart

if TYPE_CHECKING:
    from wavewright.analysis.reading import Doubt, Reading
    from wavewright.instruments.bench import Bench
    from wavewright.instruments.setups import DigitizerSetup
    from wavewright.instruments.vocabulary import Role
    from wavewright.recipe.measurement import Measurement
    from wavewright.recipe.picture_file import PlacePicture
    from wavewright.running.outcome import Outcome
    from wavewright.running.result import MeasurementOutcome
    from wavewright.running.shot import ExaminedShot
    from wavewright.running.stored_waveforms import PlayedWaveforms, ReferenceWaveforms
    from wavewright.waveform import Capture

log = logging.getLogger(__name__)


@runtime_checkable
class Operator(Protocol):
    """The operator, or a substitute."""

    def confirm(self, text: str) -> None:
        """Show a text and return when it has been confirmed."""

    def say(self, text: str) -> None:
        """Show a text that asks for nothing."""


@runtime_checkable
class ShowingPictures(Protocol):
    """An operator's desk that can lead to a picture."""

    def show_picture(self, path: Path) -> None:
        """Show where the picture is, so that it can be opened."""


@runtime_checkable
class TakingNotes(Protocol):
    """An operator's desk at which notes can be written down."""

    def take_notes(self) -> list[str]:
        """What was noted since this was asked last."""


class Unattended:
    """Nobody is asked: every text is shown, and taken as confirmed."""

    def __init__(self, say: Callable[[str], None] = lambda text: None) -> None:
        self._say = say

    def confirm(self, text: str) -> None:
        """Show the text."""
        self._say(text)

    def say(self, text: str) -> None:
        """Show the text."""
        self._say(text)


class TimedOperator:
    """An operator whose answers are waited for, and that is counted."""

    def __init__(self, person: Operator, times: SpentTime) -> None:
        self._person, self._times = person, times

    def confirm(self, text: str) -> None:
        """Show a text and return when it has been confirmed."""
        with self._times.on(TimePart.PEOPLE):
            self._person.confirm(text)

    def say(self, text: str) -> None:
        """Show a text that asks for nothing."""
        self._person.say(text)


def caution_text(cautions: Sequence[str]) -> str:
    """All cautions of a recipe in one text; empty where there are none."""
    return "\n".join(f"CAUTION: {caution}" for caution in cautions)


def placing_text(measurement: Measurement, setup: DigitizerSetup) -> str:
    """Where the probes go, in sentences: the recipe's own, then one for each channel.

    The simulated bench reads the same sentences on its display and moves its probes.
    """
    inputs = [f"Input {one.input}: {name}, probe {one.attenuation:g}x." for name, one in setup.inputs.items()]
    return " ".join([measurement.place or "", *inputs]).strip()


@runtime_checkable
class Progress(Protocol):
    """Told at every step; a program that shows nothing passes `Silent`."""

    def begin(self, label: str, *, shots: int) -> None:
        """A measurement begins."""

    def step(self, text: str) -> None:
        """Something that takes a while begins."""

    def shot(self, number: int) -> None:
        """This number of shots of the measurement has been taken."""

    def end(self, outcome: MeasurementOutcome) -> None:
        """The measurement has ended."""


class Silent:
    """Shows nothing."""

    def begin(self, label: str, *, shots: int) -> None:
        """Nothing."""

    def step(self, text: str) -> None:
        """Nothing."""

    def shot(self, number: int) -> None:
        """Nothing."""

    def end(self, outcome: MeasurementOutcome) -> None:
        """Nothing."""


class Logged:
    """Tells another of each step, and the log."""

    def __init__(self, progress: Progress) -> None:
        self._progress, self._label, self._shots = progress, "", 0

    def begin(self, label: str, *, shots: int) -> None:
        """A measurement begins."""
        self._label, self._shots = label, shots
        log.info("%s: begins, %d %s", label, shots, "shot" if shots == 1 else "shots")
        self._progress.begin(label, shots=shots)

    def step(self, text: str) -> None:
        """Something that takes a while begins."""
        log.info("%s: %s", self._label, text)
        self._progress.step(text)

    def shot(self, number: int) -> None:
        """This number of shots of the measurement has been taken."""
        log.info("%s: shot %d of %d", self._label, number, self._shots)
        self._progress.shot(number)

    def end(self, outcome: MeasurementOutcome) -> None:
        """The measurement has ended."""
        log.info("%s: %s", self._label, outcome.verdict or "recorded")
        self._progress.end(outcome)


class CaptureStore(Protocol):
    """Takes everything as it comes; the logbook's evidence folder is one. All but the wire log raise StorageFault."""

    @property
    def wire_log(self) -> TextIO:
        """A text stream for the dialogue with the instruments; it never raises."""

    def begin(self, outcome: Outcome, *, size: int) -> None:
        """Before anything is sent: the outcome as it would be if nothing came, and the bytes of all planned records."""

    def identified(self, identities: Mapping[str, str]) -> None:
        """Who answers, by the name on the bench."""

    def keep(self, label: str, capture: Capture) -> None:
        """Take one shot of a measurement."""

    def send_to_disk(self) -> None:
        """Begin what `read` waits for with the last shot, and do not wait for it; its readings follow with the next."""

    def read(self, label: str, readings: Mapping[str, Reading]) -> None:
        """What was computed from the last shot; returns when that shot is where no power failure reaches it."""

    def measured(self, measurement: MeasurementOutcome) -> None:
        """A measurement is complete."""


class InMemory:
    """Keeps captures and dialogue in memory, for runs that leave nothing behind."""

    def __init__(self) -> None:
        self.wire_log: TextIO = io.StringIO()
        self._captures: dict[str, list[Capture]] = {}

    def begin(self, outcome: Outcome, *, size: int) -> None:
        """Nothing: memory is there or it is not."""

    def identified(self, identities: Mapping[str, str]) -> None:
        """Nothing: the outcome has them."""

    def keep(self, label: str, capture: Capture) -> None:
        """Take one shot of a measurement."""
        self._captures.setdefault(label, []).append(capture)

    def send_to_disk(self) -> None:
        """Nothing: there is no disk."""

    def read(self, label: str, readings: Mapping[str, Reading]) -> None:
        """Nothing: the outcome has them."""

    def measured(self, measurement: MeasurementOutcome) -> None:
        """Nothing: the outcome has it."""

    @property
    def captures(self) -> Mapping[str, Sequence[Capture]]:
        """All shots so far, by label of the measurement."""
        return self._captures


@dataclass(frozen=True, slots=True)
class RunContext:
    """What a measurement needs beside the recipe: the bench, the people, the store of captures, and the clock's pause.

    Parameters
    ----------
    attenuations : of the probes, by input.
    pause : waits this many s; a test hands in one that does not.
    elapsed : s, of a clock that cannot jump.
    check : called between two steps; raises if the run is to end early.
    references : what `compare:` and masks refer to.
    is_cross_checked : the instrument is asked for its own values too.
    played : the stored waveforms that the source plays.
    shielded : a block that no signal interrupts.
    standing : what the bench itself says now against the readings of the instrument with a role.
    times : where the time of the run goes.
    pictures : of where the probes go, by measurement; show_picture : leads the operator to one, if the desk can.
    hear : takes every shot for the declared fields that are read from a line.
    """

    bench: Bench
    attenuations: Mapping[int, float]
    operator: Operator
    progress: Progress
    store: CaptureStore
    pause: Callable[[float], None]
    elapsed: Callable[[], float]
    check: Callable[[], None]
    references: ReferenceWaveforms
    is_cross_checked: bool = False
    played: PlayedWaveforms = field(default_factory=dict)
    shielded: Callable[[], AbstractContextManager[None]] = nullcontext
    standing: Callable[[Role], Mapping[Doubt, str]] = lambda role: {}
    times: SpentTime = field(default_factory=SpentTime)
    pictures: Mapping[str, tuple[PlacePicture, ...]] = field(default_factory=dict)
    show_picture: Callable[[Path], None] | None = None
    hear: Callable[[Measurement, ExaminedShot], None] = lambda measurement, shot: None
