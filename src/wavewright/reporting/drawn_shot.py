"""The shot of a measurement that pictures show: the decisive one, and all that is known of it."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from wavewright.errors import FileFault, Misuse, NotMeasurable, WavewrightError
from wavewright.running.outcome import Outcome
from wavewright.running.persistence import PersistenceCount
from wavewright.running.result import MeasurementOutcome, Result
from wavewright.running.shot import ExaminedShot
from wavewright.running.stored_waveforms import ReferenceWaveforms

if TYPE_CHECKING:
    from wavewright.recipe.measurement import Measurement
    from wavewright.recipe.recipe import Recipe
    from wavewright.waveform import Capture, Waveform


@dataclass(frozen=True, eq=False)  # without slots: `persistence` is counted once
class DrawnShot:
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

    @cached_property
    def persistence(self) -> PersistenceCount | None:
        """All shots laid over one another, as `persistence:` asks for; None without it, or without a shot."""
        wanted = self.measurement.persistence
        if wanted is None:
            return None
        try:
            counted = PersistenceCount(wanted, ReferenceWaveforms(), self.measurement)
        except WavewrightError:  # a golden file that is not here: the counts are shown without its band
            bare = wanted.model_copy(update={"mask": None})
            counted = PersistenceCount(bare, ReferenceWaveforms(), self.measurement)
        try:
            for shot in self.shots:
                counted.add(ExaminedShot(shot, self.measurement))
        except NotMeasurable:
            return None
        return counted


def recipe_as_read(outcome: Outcome) -> Recipe | None:
    """The recipe of the run as this version reads it; None where it does not."""
    from wavewright.recipe.stored_recipe import parse_stored_recipe

    try:
        return parse_stored_recipe(outcome.recipe.text, outcome.recipe.file, set=outcome.parameters)
    except (FileFault, Misuse):
        return None


def decisive_shot(one: MeasurementOutcome, shots: int) -> int:
    """The shot to show: the one on which the worst result depends, else the one nearest to a limit, else the first."""
    judged = [result for result in one.results if result.verdict is not None]
    for result in sorted(judged, key=urgency):
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


def urgency(result: Result) -> tuple[int, float]:
    """The order of results by urgency: the worst verdict first, then the smallest margin."""
    severity = result.verdict.severity if result.verdict is not None else 0
    return (-severity, result.relative_margin if result.relative_margin is not None else float("inf"))
