"""Against SciPy's design of the same filters."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from wavewright.analysis.signals.butterworth import butterworth_sections

BANDS = [
    ("lowpass", (0.1,)), ("lowpass", (1e-3,)), ("lowpass", (0.93,)), ("highpass", (0.02,)), ("highpass", (0.7,)),
    ("bandpass", (0.02, 0.06)), ("bandpass", (0.1, 0.9)), ("bandpass", (0.5, 0.51)),
]  # fmt: skip


@pytest.mark.parametrize("order", range(1, 13))
@pytest.mark.parametrize("band, relative", BANDS)
def test_the_response_is_that_of_scipys_sections(order: int, band: str, relative: tuple[float, ...]) -> None:
    sections = butterworth_sections(order, relative, band)
    reference = signal.butter(order, relative[0] if len(relative) == 1 else relative, band, output="sos")
    assert sections.shape == reference.shape
    _, response = signal.sosfreqz(sections, worN=500)
    _, expected = signal.sosfreqz(reference, worN=500)
    assert np.abs(response - expected).max() < 1e-9


@pytest.mark.parametrize("order", [1, 2, 5, 12])
def test_cut_offs_are_3_db_points_and_the_pass_band_has_a_gain_of_1(order: int) -> None:
    places = np.pi * np.array([0.2, 0.3])
    for band, relative, at in [("lowpass", (0.2,), [0.0]), ("highpass", (0.3,), [np.pi])]:
        _, response = signal.sosfreqz(butterworth_sections(order, relative, band), worN=[np.pi * relative[0], *at])
        assert np.abs(response) == pytest.approx([np.sqrt(0.5), 1.0], rel=1e-9)
    _, response = signal.sosfreqz(butterworth_sections(order, (0.2, 0.3), "bandpass"), worN=places)
    assert np.abs(response) == pytest.approx(np.sqrt(0.5), rel=1e-9)
