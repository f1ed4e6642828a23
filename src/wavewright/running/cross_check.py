"""The instrument's own values beside ours, of the last shot; they never change a verdict."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wavewright.errors import BadAnswer, Complaint, Misuse, NoAnswer, NotMeasurable
from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.own_value import has_own_value
from wavewright.running.outcome import CrossCheck, Result


def cross_checks(digitizer: Digitizer, results: Sequence[Result]) -> tuple[CrossCheck, ...]:
    """A row for every result of one channel whose metric the profile knows how to ask for."""
    return tuple(_rows(digitizer, results))


def _rows(digitizer: Digitizer, results: Sequence[Result]) -> Iterator[CrossCheck]:
    for result in results:
        if len(result.of) != 1 or not has_own_value(digitizer, result.metric) or not result.shots:
            continue
        ours = result.shots[-1]
        try:
            theirs = digitizer.own_value(result.metric, result.of[0])
        except (NotMeasurable, BadAnswer, NoAnswer, Complaint, Misuse, KeyError) as fault:
            yield CrossCheck(result.name, ours.unit, ours.value, None, str(fault))
        else:
            yield CrossCheck(result.name, ours.unit, ours.value, theirs)
