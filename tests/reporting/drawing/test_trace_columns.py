from __future__ import annotations

import numpy as np
import pytest

from wavewright.reporting.drawing.scale import AxisScale
from wavewright.reporting.drawing.trace_columns import drawn_columns
from wavewright.reporting.palette import BLACK
from wavewright.reporting.traces import trace_layer
from wavewright.waveform import Waveform


@pytest.mark.parametrize("count", [1, 7, 72, 160, 861])
@pytest.mark.parametrize("samples", [2, 50, 3999, 4001, 123_457])
def test_no_sample_is_lost_in_any_number_of_columns(samples: int, count: int) -> None:
    generator = np.random.default_rng(samples + count)
    codes = generator.integers(-3, 3, samples).astype(np.int16)
    place = int(generator.integers(samples))
    codes[place] = 900
    wave = Waveform(codes, gain=1e-3, interval=1e-6, start=-1e-3)
    scale = AxisScale(wave.start, wave.time_of(samples - 1), 0.0, 1.0)
    found = drawn_columns(trace_layer(wave, "a", BLACK), scale, count)
    assert np.nanmax(found.highs) == pytest.approx(0.9)
    assert np.nanmin(found.lows) == pytest.approx(codes.min() * 1e-3)
    assert int(np.nanargmax(found.highs)) == pytest.approx(min(place / max(1, samples - 1) * count, count - 1), abs=1.5)
    assert np.isfinite(found.highs).all()


def test_columns_that_a_line_passes_through_are_filled_and_gaps_stay_open() -> None:
    values = np.array([0.0, 1.0, np.nan, 1.0, 0.0])
    layer = trace_layer(Waveform.from_volts(values, interval=1.0), "a", BLACK)
    found = drawn_columns(layer, AxisScale(0.0, 4.0, 0.0, 1.0), 40)
    assert np.isfinite(found.highs[:10]).all()
    assert np.isnan(found.highs[11:29]).all()
    # math: the line from (0, 0) to (1, 1) is between 0.1 and 0.2 in the second tenth
    assert (found.lows[1], found.highs[1]) == (pytest.approx(0.1), pytest.approx(0.2))
