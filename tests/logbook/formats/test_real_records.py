"""A real record from another package, through every format and back."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import find_peaks

from wavewright.analysis.record.survey import Survey
from wavewright.logbook.formats.catalogue import read_waveform, write_waveforms
from wavewright.waveform import Waveform


@pytest.fixture(scope="module")
def membrane() -> Waveform:
    """matplotlib 3.11.2, mpl-data/sample_data/membrane.dat: 12 000 raw float32 samples of a membrane potential."""
    package = importlib.util.find_spec("matplotlib")
    if package is None or package.origin is None:
        pytest.skip("matplotlib is not installed")
    path = Path(package.origin).parent / "mpl-data" / "sample_data" / "membrane.dat"
    return Waveform(np.fromfile(path, dtype="<f4"), interval=1e-3, name="membrane")


@pytest.mark.parametrize("suffix", [".csv", ".wav", ".h5", ".npz", ".dif"])
def test_pulses_of_a_membrane_are_counted_after_every_format(membrane, tmp_path, suffix) -> None:
    write_waveforms(tmp_path / f"membrane{suffix}", {"membrane": membrane})
    again = read_waveform(tmp_path / f"membrane{suffix}")
    assert (len(again), again.codes.argmax()) == (12_000, 10_924)
    assert again.values().min() == pytest.approx(-0.675214, abs=1e-6)
    assert again.values().max() == pytest.approx(0.037851, abs=1e-6)
    survey = Survey(again)
    for level in (-0.2, -0.1):
        assert survey.crossings(level, hysteresis=0.0).rising.size == 57
    peaks, _ = find_peaks(again.values(), prominence=0.3)  # SciPy 1.17.1
    assert (peaks.size, peaks[:3].tolist()) == (57, [1489, 1636, 1777])
