"""Bending: what a curve of the converter does to a reading that a line through its ends does not do.

A curve within ± a bound is approximated by straight pieces between five knots over what the record covers, each of
which may be off by the bound on its own: the effects of all are added by amount (the largest that a sum of them can be;
math). What moves the lowest or the highest values alone follows from gain and offset; the three knots between them do
not, and are tried on the samples themselves, on a part of a long record.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from wavewright.analysis.record.survey import Survey
from wavewright.analysis.uncertainty.affine import Change, Evaluate
from wavewright.waveform import Codes, Waveform

INNER = (0.25, 0.5, 0.75)  # of the way from the lowest to the highest value
WIDTH = 0.25  # from one knot to the next
PARTS = (1 << 12, 1 << 16, 1 << 20)  # first samples on which a bend is tried: the fewest that have a reading
COVERED = 0.9  # of what the record covers: a part that covers less does not stand for it
THINNED = 1 << 14  # samples that are left of a record of which no part covers it: it is slow


class Part(NamedTuple):
    """The first samples of a record: all of them, or one of `one_of`."""

    samples: int
    one_of: int = 1


def parts_of(survey: Survey) -> tuple[Part, ...]:
    """The parts of a record that stand for all of it, the shortest first."""
    return survey.once("parts that stand for it", lambda: _parts(survey))


def _parts(survey: Survey) -> tuple[Part, ...]:
    codes = survey.wave.codes
    low, high = survey.extremes
    lengths = list(dict.fromkeys(min(length, codes.size) for length in PARTS))
    enough = COVERED * (float(high) - float(low))
    covering = (n for n, length in enumerate(lengths) if _reach(codes[:length]) >= enough)
    found = [Part(length) for length in lengths[next(covering, len(lengths)) :]]
    if found and found[-1].samples == codes.size:
        return tuple(found)
    return (*found, Part(codes.size, max(1, codes.size // THINNED)))


def _reach(codes: Codes) -> float:
    return float(codes.max()) - float(codes.min())


@dataclass(frozen=True, slots=True)
class Bend:
    """Values that are moved by `height` at `place`, and less on the way to the next knots, `width` to either side.

    Parameters
    ----------
    place, width, height : in the waveform's unit. A height of 0 leaves the values as they are.
    part : of the record that is left.
    """

    place: float
    width: float
    height: float
    part: Part

    def of(self, wave: Waveform) -> Waveform:
        """The bent waveform; its codes are whole no more."""
        codes = wave.codes[: self.part.samples : self.part.one_of].astype(np.float64)
        if self.height:
            away = np.abs(wave.offset + wave.gain * codes - self.place) / self.width
            codes += self.height / wave.gain * np.clip(1 - away, 0, None)
        return replace(wave, codes=codes, interval=wave.interval * self.part.one_of, code_range=None)

    def survey(self, survey: Survey) -> Survey:
        """The survey of it, made once and kept with the survey that it is of."""
        return survey.once(("bent", self), lambda: Survey(self.of(survey.wave), survey.choice))


@dataclass(frozen=True, slots=True)
class Bends:
    """The three bends of an input between the lowest and the highest value of its record.

    Parameters
    ----------
    bent : names of the channels that the input is; all_inputs : of every input of the reading, since all are cut.
    low, high : what the record covers.
    amount : how far each knot is moved.
    parts : of the record, the one that is tried first before the others.
    """

    bent: tuple[str, ...]
    all_inputs: tuple[str, ...]
    low: float
    high: float
    amount: float
    parts: tuple[Part, ...]

    def effects(self, value: float, evaluate: Evaluate, *, least: float) -> Sequence[float] | None:
        """What each of the three makes of the reading, in its unit; None where no part of the record has a reading.

        Parameters
        ----------
        value : of the reading.
        least : a smaller change is none.
        """
        for part in self.parts:
            straight = evaluate(self._change(INNER[0], 0.0, part))
            if straight is not None and math.isfinite(straight):
                break
        else:
            return None
        # what grows with the length of the record, as an integral does, is larger in the whole of it
        scale = max(1.0, abs(value / straight)) if straight and part != self.parts[-1] else 1.0
        found = [evaluate(self._change(share, self.amount, part)) for share in INNER]
        moves = [0.0 if one is None or not math.isfinite(one) else scale * (one - straight) for one in found]
        return [0.0 if abs(move) <= least else move for move in moves]

    def _change(self, share: float, height: float, part: Part) -> Change:
        width = self.high - self.low
        still = Bend(0.0, 1.0, 0.0, part)
        bend = Bend(self.low + share * width, WIDTH * width, height, part) if height else still
        return {name: bend if name in self.bent else still for name in self.all_inputs}


def of_all_knots(lowest: float, highest: float, inner: Sequence[float]) -> list[float]:
    """The effects of all five knots, from those of the inner ones and of two lines.

    Parameters
    ----------
    lowest, highest : effect of a line that moves that end of the record and leaves the other: of all knots it has in it
        as much as it is high at their places.
    """
    first = lowest - math.fsum((1 - share) * one for share, one in zip(INNER, inner, strict=True))
    last = highest - math.fsum(share * one for share, one in zip(INNER, inner, strict=True))
    return [first, *inner, last]
