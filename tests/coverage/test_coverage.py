"""Coverage of everyday metrics, at a tenth of the size; `WAVEWRIGHT_PROOF=full` takes 1000 draws for each cell.

`python -m tests.coverage.table` prints the table of the whole.
"""

from __future__ import annotations

import os
from collections import defaultdict
from dataclasses import replace

import pytest

from tests.coverage.cases import CASES
from tests.coverage.digitizer import Sheet
from tests.coverage.joined import SETS
from tests.coverage.limits import fewest, highest, most
from tests.coverage.tally import CONDITIONS, Tally, tally

IS_WHOLE = os.environ.get("WAVEWRIGHT_PROOF") == "full"
DRAWS, TOGETHER = (1000, 1000) if IS_WHOLE else (25, 50)  # under each of the four conditions
FEWEST_OF_A_TABLE = 40  # of readings, below which a cell says nothing


def wrong(name: str, counted: Tally, share: float) -> str:
    """What is the matter with a cell, of whose readings at most this share may hold the truth; empty: nothing."""
    low, high = fewest(counted.readings), most(counted.readings, share)
    if counted.readings < FEWEST_OF_A_TABLE:
        return f"{name}: {counted.readings} readings"
    if low <= counted.inside <= high:
        return ""
    return f"{name}: {counted.inside} of {counted.readings} hold the truth, not {low} to {high}"


@pytest.mark.slow
@pytest.mark.parametrize("shape", dict.fromkeys(case.shape for case in CASES))
def test_intervals_hold_the_truth(shape: str) -> None:
    whole: defaultdict[tuple[int, str], Tally] = defaultdict(Tally)
    for condition in CONDITIONS:
        cell = f" at {condition.name}" if IS_WHOLE else ""  # a few draws say something of all conditions together only
        for case, counted in tally(shape, condition, range(DRAWS)).items():
            whole[CASES.index(case), cell].add(counted)
    faults = [
        wrong(f"{CASES[index].name} of {shape}{cell}", counted, highest(CASES[index].metric, shape))
        for (index, cell), counted in whole.items()
    ]
    assert not any(faults), "\n".join(filter(None, faults))


@pytest.mark.slow
@pytest.mark.parametrize("name", SETS)
def test_intervals_of_readings_together_hold_the_truth(name: str) -> None:
    whole: defaultdict[str, Tally] = defaultdict(Tally)
    draws = TOGETHER // (10 if IS_WHOLE else 2) if name == "mean of 16" else 2 * TOGETHER
    for condition in CONDITIONS[::3]:
        for what, counted in SETS[name](condition, range(draws)).items():
            whole[what].add(counted)
    faults = [wrong(f"{what}, {name}", counted, highest(what, name)) for what, counted in whole.items()]
    assert not any(faults), "\n".join(filter(None, faults))


def test_a_digitizer_that_is_worse_than_its_data_sheet_is_found_out() -> None:
    # the proof would be none if it held whatever is stated: here the errors are up to
    # three times as large as stated
    good = Sheet()
    condition = replace(CONDITIONS[1], sheet=replace(good, gain=3 * good.gain, offset=3 * good.offset))
    cases = [case for case in CASES if case.metric in ("high_level", "cycle_mean")]
    found = tally("trapezoids", condition, range(60), cases, stated=good.stated())
    for counted in found.values():
        assert counted.inside < fewest(counted.readings)
