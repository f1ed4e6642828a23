"""Counts over time and level as a panel: how many samples went where, each count as it is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from wavewright.quantities import show_quantity
from wavewright.reporting.layers import DensityLayer
from wavewright.reporting.marks import Mark
from wavewright.reporting.packed_numbers import narrow
from wavewright.reporting.picture import Axis, Panel, Picture

HEIGHT = 290


def count_picture(
    counts: npt.NDArray[np.int64],
    *,
    window: tuple[float, float],
    levels: tuple[float, float],
    channel: str,
    unit: str,
    name: str,
    title: str,
    description: str,
    marks: Sequence[Mark] = (),
) -> Picture:
    """A picture of counts of shape (levels, times)."""
    layer = DensityLayer(channel, narrow(counts), window, levels)
    panel = Panel(channel, Axis(channel, unit, *levels), (layer,), tuple(marks), height=HEIGHT)
    return Picture(name, title, description, Axis("time", "s", *window), (panel,))


def described_counts(counts: npt.NDArray[np.int64], shots: int, levels: tuple[float, float], unit: str) -> str:
    """The counts in words: how many samples, and between which levels."""
    occupied = np.flatnonzero(counts.any(axis=1))
    if not occupied.size:
        return "No samples."
    step = (levels[1] - levels[0]) / counts.shape[0]
    ends = (levels[0] + step * int(occupied[0]), levels[0] + step * (int(occupied[-1]) + 1))
    low, high = (show_quantity(end, unit) for end in ends)
    return f"{int(counts.sum())} samples of {shots} {'shot' if shots == 1 else 'shots'}, between {low} and {high}."
