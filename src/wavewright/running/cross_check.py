"""The instrument's own values beside ours, of the last shot; they never change a verdict."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wavewright.errors import LinkLost, WavewrightError
from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.own_value import has_own_value
from wavewright.running.outcome import CrossCheck, Result


def cross_checks(digitizer: Digitizer, results: Sequence[Result]) -> tuple[CrossCheck, ...]:
    """A row for every result of one input whose metric the profile knows how to ask for.

    Whatever goes wrong in asking is a remark in its row: the readings are taken, and no question changes them. A link
    that is lost on the way ends the asking; whoever needs the instrument next will say so.
    """
    return tuple(_rows(digitizer, results))


def _rows(digitizer: Digitizer, results: Sequence[Result]) -> Iterator[CrossCheck]:
    for result in results:
        if len(result.of) != 1 or not result.shots or not has_own_value(digitizer, result.metric):
            continue
        if result.of[0] not in digitizer.channels:
            continue  # computed from channels: the instrument knows nothing of it
        ours = result.shots[-1]
        try:
            theirs = digitizer.own_value(result.metric, result.of[0])
        except WavewrightError as fault:
            yield CrossCheck(result.name, ours.unit, ours.value, None, fault.what)
            if isinstance(fault, LinkLost):
                return
        else:
            yield CrossCheck(result.name, ours.unit, ours.value, theirs)
