"""A logbook of many small runs, some of which do not come out as they were recorded, or cannot be computed."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from tests.logbook.made_outcomes import capture, outcome
from wavewright.logbook.book import Logbook
from wavewright.logbook.recompute import recompute
from wavewright.running.outcome import Outcome

CHANGED, WITHOUT = 29, 31  # every so many runs one has a value that its captures do not give, or no captures


@lru_cache(maxsize=64)
def _computed(seed: int, samples: int) -> Outcome:
    kept = {"rail_noise": [capture(seed, samples=samples)]}
    return replace(recompute(replace(outcome(0), captures=kept)).outcome, captures=kept)


def run(number: int, *, samples: int = 1000) -> Outcome:
    """The run of one unit; its values are those of its captures, but for what is said above."""
    plain, computed = outcome(number), _computed(number % 64, samples)
    one, captures = computed.measurements[0], computed.captures
    if number % CHANGED == CHANGED - 1:
        (result,) = one.results
        value = math.nextafter(float(result.reading.value or 0), 1.0) * (1 + 1e-9)
        one = replace(one, results=(replace(result, reading=replace(result.reading, value=value)),))
    if number % WITHOUT == WITHOUT - 1:
        captures = {}
    return replace(plain, measurements=(one,), captures=captures)


def made_archive(path: Path, count: int, *, samples: int = 1000) -> Path:
    """A logbook with so many runs."""
    with Logbook(path) as book:
        for first in range(0, count, 500):
            book.enter_all(run(number, samples=samples) for number in range(first, min(count, first + 500)))
    return path
