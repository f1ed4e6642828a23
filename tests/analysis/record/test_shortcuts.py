"""Whatever is looked up instead of looked for gives the readings of going through all samples."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from tests.analysis.record.test_edge_index import sparse_record
from tests.benchmarks.test_analysis_speed import METRICS, STATED
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.found_once import FoundOnce
from wavewright.analysis.record.shared_codes import SharedCodes
from wavewright.waveform import Waveform

LINE = sparse_record(3)
RECORDS = {
    "int8": LINE,
    "odd length": LINE[:17_001],
    "int16": LINE.astype(np.int16) * 200 + np.arange(LINE.size, dtype=np.int16) % 7,
    "int32": LINE.astype(np.int32),
    "float32": LINE.astype(np.float32) / 7,
    "clipped": np.clip(LINE, -40, 20),
    "no edges": (np.arange(20_000) % 3).astype(np.int8),
    "constant": np.full(20_000, 5, dtype=np.int8),
    "short": LINE[:900],
    "three samples": LINE[:3],
    "every other sample": np.repeat(LINE, 2)[::2],
    "dense": (np.arange(20_001) % 11 * 20 - 100).astype(np.int8),
}


def numbers_of(reading: Reading) -> dict[str, object]:
    """What a reading says, of doubles 12 digits; the budget by its standard uncertainty."""
    found = {one.name: getattr(reading, one.name) for one in fields(reading)}
    found["budget"] = None if reading.budget is None else reading.budget.standard
    found["occurrences"] = None if reading.occurrences is None else np.sum(reading.occurrences.values)
    return {
        key: pytest.approx(one, rel=1e-9, abs=1e-15) if isinstance(one, float) else one for key, one in found.items()
    }


@pytest.mark.parametrize("gate", [slice(None), slice(1500, 18_500)], ids=["whole", "gated"])
@pytest.mark.parametrize("kind", RECORDS)
def test_readings_are_those_of_going_through_all_samples(kind: str, gate: slice, monkeypatch) -> None:
    wave = Waveform(RECORDS[kind], gain=-0.02, offset=1.0, interval=4e-9, name="drive").part(
        *gate.indices(len(RECORDS[kind]))[:2]
    )
    found = measure(wave, METRICS, accuracy=STATED)
    monkeypatch.setattr(SharedCodes, "_drawn", lambda *_: ())
    monkeypatch.setattr(FoundOnce, "once_of", lambda self, key, arrays, compute: compute())
    plain = measure(wave, METRICS, accuracy=STATED)
    for name in METRICS:
        assert numbers_of(found[name]) == numbers_of(plain[name]), name
