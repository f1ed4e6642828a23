"""What a watch needs of a bench, or of stored records in its place."""

from __future__ import annotations

from typing import Protocol

from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.running.shot import ExaminedShot


class Shots(Protocol):
    """Where shots come from: a bench, or stored records."""

    @property
    def is_simulated(self) -> bool:
        """Whether no real instrument has measured."""

    @property
    def file(self) -> str:
        """The stored records, for the page; empty for a bench."""

    @property
    def distinct(self) -> int | None:
        """How many shots there are that differ from each other; None where there is always another one."""

    @property
    def outputs_on(self) -> bool:
        """Whether an output may be on."""

    @property
    def is_ready(self) -> bool:
        """Whether the next shot can be taken as things are."""

    def outputs_asked(self, measurement: Measurement) -> tuple[str, ...]:
        """What a measurement does with outputs, a sentence per step; empty where it touches none."""

    def set_up(self, recipe: Recipe, measurement: Measurement) -> None:
        """Make everything ready for the shots of a measurement; WavewrightError or StoppedShort if it cannot."""

    def take(self) -> ExaminedShot:
        """The next shot; WavewrightError or StoppedShort where there is none."""

    def outputs_off(self) -> None:
        """Every output off, and confirmed; OutputMayBeOn if one could not be."""
