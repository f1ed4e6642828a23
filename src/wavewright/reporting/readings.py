"""What every report says of a result, in one spelling: its reading and its margin."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wavewright.judgement.shown import acceptable, show_judged, show_margin

if TYPE_CHECKING:
    from wavewright.running.outcome import Outcome
    from wavewright.running.result import Result

NOTHING = "–"
SIMULATED_BENCH = "simulated bench"


def on_which_bench(outcome: Outcome) -> str:
    """What follows a verdict: `, on a simulated bench`; nothing where real instruments measured."""
    return f", on a {SIMULATED_BENCH}" if outcome.is_simulated else ""


def shown_value(result: Result) -> str:
    """The reading, with as many digits as its uncertainty bears, on the side of its limit that it was judged on."""
    reading = result.reading
    if reading.value is None:
        return NOTHING
    interval = acceptable(result.limit, reading.unit)
    return show_judged(reading.value, reading.unit, interval, uncertainty=reading.uncertainty)


def shown_margin(result: Result) -> str:
    """How far the reading is inside its limit, or with a minus outside; of a ratio in percentage points."""
    if result.margin is None:
        return NOTHING
    return show_margin(result.margin, result.reading.unit, uncertainty=result.reading.uncertainty)
