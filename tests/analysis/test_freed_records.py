"""A record is freed as soon as nobody works with it, and not only when the garbage is collected."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Iterator

import numpy as np
import pytest

from tests.analysis.test_hard_inputs import OPTIONS, required
from tests.benchmarks.test_analysis_speed import STATED
from wavewright.analysis.catalogue import metrics
from wavewright.analysis.measure import measure
from wavewright.waveform import Waveform


@pytest.fixture(autouse=True)
def no_collection() -> Iterator[None]:
    gc.collect()
    gc.disable()
    yield
    gc.enable()


@pytest.mark.parametrize("name", list(metrics()))
def test_of_a_reading_that_is_kept(name: str) -> None:
    entry = metrics()[name]
    codes = [np.where(np.arange(4000) % 100 < 50, 50, -50).astype(np.int8) for _ in range(entry.channels[0])]
    options = {one.name: required(one) for one in entry.parameters if one.is_required} | OPTIONS.get(name, {})
    waves = [Waveform(one, interval=1e-6, gain=0.02, name=f"probe {number}") for number, one in enumerate(codes)]
    records = [weakref.ref(one) for one in codes]
    accuracy = {wave.name: STATED for wave in waves}
    reading = measure(waves if len(waves) > 1 else waves[0], name, accuracy=accuracy, **options)
    del codes, waves
    assert [record() for record in records] == [None] * len(records)
    assert reading is not None
