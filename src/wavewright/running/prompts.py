"""What the operator is told and asked: cautions before the run, and before a measurement where the probes go."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from wavewright.instruments.setups import DigitizerSetup
from wavewright.recipe.measurement import Measurement


class Operator(Protocol):
    """Whoever stands at the bench, or stands in for somebody."""

    def confirm(self, text: str) -> None:
        """Show a text and return when it has been confirmed."""

    def say(self, text: str) -> None:
        """Show a text that asks for nothing."""


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


def caution_text(cautions: Sequence[str]) -> str:
    """All cautions of a recipe in one text; empty where there are none."""
    return "\n".join(f"CAUTION: {caution}" for caution in cautions)


def placing_text(measurement: Measurement, setup: DigitizerSetup) -> str:
    """Where the probes go, in sentences: the recipe's own, then one for each channel.

    The simulated bench reads the same sentences on its display and moves its probes.
    """
    inputs = [f"Input {one.input}: {name}, probe {one.attenuation:g}x." for name, one in setup.inputs.items()]
    return " ".join([measurement.place or "", *inputs]).strip()
