"""Waveforms whose edges cross the middle at given instants: straight ramps, on which linear interpolation is exact."""

from __future__ import annotations

import numpy as np

from wavewright.waveform import Floats, Waveform


def line_with_edges(
    instants: Floats, *, interval: float, ramp: float, end: float, starts_high: bool = False, name: str = "line"
) -> Waveform:
    """A line between 0 and 1 that changes at each instant, s; each edge is `ramp` s long, at least two intervals."""
    times = np.arange(0, end, interval)
    number = np.clip(np.searchsorted(instants, times), 1, instants.size - 1)
    before, after = instants[number - 1], instants[number]
    nearest = np.where(times - before < after - times, number - 1, number)
    share = np.clip((times - instants[nearest]) / ramp, -0.5, 0.5)
    rises = (nearest % 2 == 0) != starts_high
    return Waveform.from_volts(np.where(rises, 0.5 + share, 0.5 - share), interval=interval, name=name)
