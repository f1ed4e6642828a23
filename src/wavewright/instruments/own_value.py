"""The instrument's own value of a metric, for comparison with ours; it never changes a verdict."""

from __future__ import annotations

import math
import re

from wavewright.errors import BadAnswer, Misuse, NotMeasurable
from wavewright.instruments.instrument import Instrument
from wavewright.instruments.scpi import read_number, shorten
from wavewright.instruments.setting import fill


def has_own_value(instrument: Instrument, metric: str) -> bool:
    """Whether the profile knows how to ask for it."""
    return metric in instrument.profile.grammar.own_values


def ask_own_value(instrument: Instrument, metric: str, *, input: int) -> float:
    """What the instrument itself says, in SI units, ratios 0 … 1.

    Raises
    ------
    Misuse : the profile does not say how to ask.
    NotMeasurable : the instrument has no value: 9.91E37, or overload.
    BadAnswer : something else than a number.
    """
    known = instrument.profile.grammar.own_values
    if metric not in known:
        raise Misuse(
            f"`{instrument.profile.name}` does not say how to ask for `{metric}`",
            expected=f"one of {', '.join(known)}" if known else "an entry in `own_values`",
        )
    own = known[metric]
    places = {"input": input}
    for message in own.before:
        instrument.link.write(fill(message, places))
    answer = instrument.link.ask(fill(own.ask, places), repeatable=True)
    text = answer
    if own.pattern:
        match = re.search(own.pattern, answer)
        if match is None:
            raise BadAnswer(f"`{shorten(answer)}` does not look as it should", where=instrument.link.where)
        text = match.groupdict().get("value") or match[0]
    with instrument.link.naming(own.ask):
        value = read_number(text)
    if not math.isfinite(value):
        raise NotMeasurable(f"the instrument has no value of `{metric}`", where=instrument.link.where)
    return own.convert.from_wire(value)
