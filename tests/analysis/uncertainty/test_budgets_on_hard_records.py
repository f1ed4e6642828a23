"""Every metric with an accuracy on records that are empty, constant, clipped, full of holes or of noise."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from tests.analysis.test_hard_inputs import OPTIONS, RECORDS, required
from wavewright.analysis.catalogue import Metric, metrics
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.waveform import Waveform

STATED = Accuracy(
    gain="2 %",
    offset="1 % of range + 1 mV",
    timebase="50 ppm",
    skew="1 ns",
    nonlinearity="0.5 % of range",
    noise_floor="0.2 % of range",
    aperture_jitter="10 ps",
    bandwidth="100 MHz ± 10 %",
    temperature={"gain": "50 ppm", "offset": "10 uV", "timebase": "1 ppm", "within": "5 K"},
)
USUAL = ("empty", "one sample", "constant", "clipped", "heavily noisy", "inverting", "tiny", "huge offset")


def budgeted(entry: Metric, wave: Waveform) -> Reading:
    waves = [wave] * max(1, entry.channels[0])
    options = {p.name: required(p) for p in entry.parameters if p.is_required} | OPTIONS.get(entry.name, {})
    with np.errstate(all="ignore"):
        return measure(waves if len(waves) > 1 else wave, entry.name, accuracy=STATED, **options)


@pytest.mark.parametrize("name", list(metrics()))
def test_a_hard_record_gives_a_finite_budget_or_none(name: str) -> None:
    faults = {}
    for record, make in RECORDS.items():
        if not any(word in record for word in USUAL):
            continue
        reading = budgeted(metrics()[name], make())
        if reading.value is None:
            assert reading.budget is None
            continue
        budget = reading.budget
        assert budget is not None
        numbers = [budget.standard, budget.expanded(), *budget.interval()]
        if not all(math.isfinite(number) for number in numbers):
            faults[record] = numbers
        json.dumps(reading.as_json(), allow_nan=False)
    assert not faults
