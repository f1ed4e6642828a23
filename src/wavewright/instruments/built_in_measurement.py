"""The instrument's own value of a metric, for comparison with ours; it never changes a verdict."""

from __future__ import annotations

import math

from wavewright.analysis.catalogue import metrics
from wavewright.errors import Misuse, NotMeasurable
from wavewright.instruments.instrument import Instrument
from wavewright.instruments.scpi import read_number
from wavewright.instruments.setting import fill, picked

_OF_THE_CHANNEL = ("", "V/s", "V/√Hz")  # units of metrics that grow with the voltage


def has_built_in_measurement(instrument: Instrument, metric: str) -> bool:
    """Whether the profile knows how to ask for it."""
    return metric in instrument.profile.grammar.own_values


def ask_built_in_measurement(instrument: Instrument, metric: str, *, input: int, attenuation: float = 1.0) -> float:
    """What the instrument itself says of its last record, in SI units at the probe tip, ratios 0 … 1.

    Whatever the query left in the error queue is read with it, so that nobody takes it for his own.

    Parameters
    ----------
    attenuation : of the probe; the instrument speaks of its own connector.

    Raises
    ------
    Misuse : the profile does not say how to ask, or there is no such metric.
    NotMeasurable : the instrument has no value: 9.91E37, or overload.
    BadAnswer : something else than a number.
    Complaint : it answered, and complained all the same.
    NoAnswer, LinkLost
    """
    grammar = instrument.profile.grammar
    if metric not in grammar.own_values:
        known = ", ".join(grammar.own_values)
        raise Misuse(
            f"`{instrument.profile.name}` has no query for `{metric}`",
            expected=f"one of {known}" if known else "an entry in `own_values`",
        )
    own = grammar.own_values[metric]
    *before, query = (fill(message, {"input": input}) for message in (*own.before, own.ask))
    for message in before:
        instrument.link.write(message)
    answer = instrument.link.ask(query, repeatable=grammar.quirks.repeats_queries)
    instrument.check_errors(f"asking for its own {metric}")
    with instrument.link.naming(query):
        value = read_number(picked(answer, own.pattern))
    if not math.isfinite(value):
        raise NotMeasurable(f"the instrument has no value of `{metric}`", where=instrument.link.where)
    factor = attenuation if metrics()[metric].unit in _OF_THE_CHANNEL else 1.0
    return factor * own.convert.from_wire(value)
