"""The sense of an option: between which values a number makes sense at all in its place.

It is in the annotation of the argument, after the unit, and this is the one place for it: measuring, decoding, the
check of a recipe and the command line all read it from there.

    hysteresis: Annotated[ReferenceLevel, NOT_NEGATIVE] | None = None
    impedance: Annotated[float, "ohm", POSITIVE] = 50.0
    word_bits: Annotated[int, Sense(least=4, most=32)] = 8
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from wavewright.errors import Misuse
from wavewright.quantities import Quantity


@dataclass(frozen=True, slots=True)
class Sense:
    """The values that make sense, in the unit of the option: `least` and `most` included, `above` and `below` not.

    `among`, where there are few.
    """

    least: float = -math.inf
    most: float = math.inf
    above: float = -math.inf
    below: float = math.inf
    among: tuple[float, ...] = ()

    def __contains__(self, value: float) -> bool:
        if self.among:
            return value in self.among
        return self.least <= value <= self.most and (self.above < value < self.below or not self._is_open)

    @property
    def _is_open(self) -> bool:
        return math.isfinite(self.above) or math.isfinite(self.below)

    @property
    def is_bounded(self) -> bool:
        """Whether there is a finite value without sense."""
        return bool(self.among) or any(math.isfinite(end) for end in (self.least, self.most, self.above, self.below))

    def in_words(self, unit: str) -> str:
        """What makes sense, as a message says it: `above 0 Hz`, `4 .. 32`."""
        if self.among:
            *first, last = (str(Quantity(value, unit)) for value in self.among)
            return f"{', '.join(first)} or {last}"
        if math.isfinite(self.least) and math.isfinite(self.most):
            return f"{Quantity(self.least, unit)} .. {Quantity(self.most, unit)}"
        ends = (("above", self.above), ("at least", self.least), ("below", self.below), ("at most", self.most))
        return " and ".join(f"{word} {Quantity(end, unit)}" for word, end in ends if math.isfinite(end))

    def check(self, value: float, *, name: str, written: object, unit: str) -> None:
        """Refuse what makes no sense.

        Parameters
        ----------
        value : the number, in `unit`.
        name : of the option.
        written : how the value was given, for the message.

        Raises
        ------
        Misuse : it makes none; says what would.
        """
        if value not in self:
            shown = f"{written:g}" if isinstance(written, float) else written
            raise Misuse(f"`{name}` is `{shown}`, which is outside any sensible range", expected=self.in_words(unit))


ANY = Sense()
"""Stated where every finite number means something: instants before and after the trigger, levels."""
POSITIVE = Sense(above=0.0)
NOT_NEGATIVE = Sense(least=0.0)
SHARE = Sense(least=0.0, most=1.0)
PROPER_SHARE = Sense(above=0.0, below=1.0)
"""A share of a whole that is neither nothing nor all of it: a sample point, a band of a state."""
COUNT = Sense(least=1.0)
