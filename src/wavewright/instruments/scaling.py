"""From codes to volts and from index to seconds: where an instrument states its scale, and what it then is."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from wavewright.errors import BadAnswer, SetOtherwise
from wavewright.instruments.record_grammar import SampleFormat, Scale, ScaleTerm
from wavewright.instruments.samples import sample_type
from wavewright.instruments.scpi import read_number, shorten, split_list
from wavewright.instruments.setting import picked
from wavewright.quantities import show_quantity

if TYPE_CHECKING:
    from wavewright.instruments.block_reader import Bytes

PRINTED = 1e-6  # relative; an answer nearer than its seventh digit is not another one
OF_A_CODE = 0.01  # an offset that has moved by less is printed otherwise


@dataclass(frozen=True, slots=True)
class Axes:
    """value = offset + gain · code, in volts at the connector; time = start + interval · index, in s."""

    gain: float
    offset: float
    interval: float
    start: float

    @property
    def words(self) -> str:
        """Scale and time between samples, for messages."""
        return (
            f"{show_quantity(self.gain, 'V')} per code, code 0 at {show_quantity(self.offset, 'V')}, "
            f"a sample every {show_quantity(self.interval, 's')}"
        )

    def is_of_the_same_scale(self, other: Axes) -> bool:
        """Whether another record has the same scale and rate, but for printing; when it begins is its trigger's."""
        return (
            math.isclose(self.gain, other.gain, rel_tol=PRINTED)
            and math.isclose(self.interval, other.interval, rel_tol=PRINTED)
            and math.isclose(self.offset, other.offset, rel_tol=PRINTED, abs_tol=OF_A_CODE * abs(self.gain))
        )


class FirstScale:
    """What came with the first record of a set-up, by input: the scale that all of them must have."""

    def __init__(self) -> None:
        self._first: dict[int, Axes] = {}

    def check(self, axes: Axes, number: int, *, where: str) -> None:
        """Hold what came with a record against it.

        Raises
        ------
        SetOtherwise : range, offset or time between samples is another: someone, or the instrument, has changed it.
        """
        first = self._first.setdefault(number, axes)
        if not first.is_of_the_same_scale(axes):
            raise SetOtherwise(
                f"input {number}: {first.words} came with the first record, and {axes.words} with this one",
                where=where,
                expected="the same scale in all records of a set-up",
                do="see who or what has changed range, offset or time base, then measure again",
            )


def axes_from_settings(
    scale: Scale, form: SampleFormat, *, range: float, offset: float, interval: float, start: float
) -> Axes:
    """What follows from the settings as read back: the full scale spread over the codes, code 0 in its middle."""
    codes = form.codes_over_range or scale.codes_over_range
    return Axes(range / codes, offset, interval, start)


def told_axes(
    scale: Scale, otherwise: Axes, *, ask: Callable[[Sequence[str]], list[str]], data: Bytes, fill: Callable[[str], str]
) -> Axes:
    """The axes with everything replaced that the instrument states.

    Parameters
    ----------
    ask : puts queries and returns their answers.
    data : the block, for a scale stated in its head, shape (bytes,).
    fill : puts the input's number into a query.

    Raises
    ------
    BadAnswer : a preamble with too few items, no number where one is required, a gain of 0.
    """
    if scale.told_in == "samples":
        return replace(otherwise, gain=1.0, offset=0.0)
    terms = [scale.gain, scale.reference, scale.offset, scale.interval, scale.start]
    queries = list(dict.fromkeys(fill(term.ask) for term in terms if term is not None and term.ask))
    if scale.told_in == "preamble":
        queries.insert(0, fill(scale.ask))
    answers = dict(zip(queries, ask(queries), strict=True)) if queries else {}
    items = split_list(picked(answers[fill(scale.ask)], scale.pattern)) if scale.told_in == "preamble" else ()

    def number(term: ScaleTerm | None, fallback: float) -> float:
        if term is None:
            return fallback
        value = _number_of(term, items=items, data=data, answer=answers.get(fill(term.ask), ""))
        if not math.isfinite(value):
            raise BadAnswer(f"the scale holds `{value}`", expected="finite numbers")
        return term.times * value + term.plus

    gain = number(scale.gain, otherwise.gain)
    reference = number(scale.reference, 0.0)
    offset = number(scale.offset, otherwise.offset) - gain * reference
    axes = Axes(gain, offset, number(scale.interval, otherwise.interval), number(scale.start, otherwise.start))
    if not axes.gain or not axes.interval > 0:
        raise BadAnswer(f"the scale is {axes.gain:g} V per code, {axes.interval:g} s per sample", expected="neither 0")
    return axes


def _number_of(term: ScaleTerm, *, items: tuple[str, ...], data: Bytes, answer: str) -> float:
    if term.ask:
        return read_number(picked(answer, term.pattern))
    if term.field is not None:
        if term.field >= len(items):
            raise BadAnswer(
                f"the preamble `{shorten(','.join(items))}` has {len(items)} items",
                expected=f"at least {term.field + 1}",
            )
        return read_number(picked(items[term.field], term.pattern))
    if term.at is not None:
        kind = sample_type(SampleFormat(samples=term.type_, byte_order=term.byte_order))
        part = data[term.at : term.at + kind.itemsize]
        if part.size < kind.itemsize:
            raise BadAnswer(
                f"the block has {data.size} bytes", expected=f"a head of at least {term.at + kind.itemsize}"
            )
        return float(np.frombuffer(part.tobytes(), dtype=kind)[0])
    return 0.0  # a constant: `plus` alone
