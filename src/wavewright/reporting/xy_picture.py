"""One channel over another: every sample of the decisive shot at the values that both have then."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.record.alignment import aligned
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity
from wavewright.reporting.layers import CurveLayer, DensityLayer, Floats, Layer
from wavewright.reporting.packed_numbers import narrow
from wavewright.reporting.palette import INK
from wavewright.reporting.picture import Axis, Panel, Picture

if TYPE_CHECKING:
    from wavewright.reporting.drawn_shot import DrawnShot

MOST_POINTS = 20_000  # of a line; more are counted, since a line through them would be a blot
CELLS = (600, 400)
MARGIN = 0.05


def xy_pictures(subject: DrawnShot) -> Iterator[Picture]:
    """A figure for each entry of `plot:`; none where a channel is lacking, or the two have no instant in common."""
    waves = subject.waves()
    for number, (name, wanted) in enumerate(subject.measurement.plot.items(), 1):
        if wanted.of not in waves or wanted.against not in waves:
            continue
        upwards, across = waves[wanted.of], waves[wanted.against]
        try:
            pair = aligned(subject.shot.survey(wanted.against), subject.shot.survey(wanted.of), may_be_constant=True)
        except NotMeasurable:
            continue
        x, y = (wave.values() for wave in pair)
        ends = [_widened(line) for line in (x, y)]
        told = (
            f"{wanted.of} over {wanted.against}, {x.size} samples: "
            f"{wanted.against} from {show_quantity(float(x.min()), across.unit)} "
            f"to {show_quantity(float(x.max()), across.unit)}, "
            f"{wanted.of} from {show_quantity(float(y.min()), upwards.unit)} "
            f"to {show_quantity(float(y.max()), upwards.unit)}."
        )
        panel = Panel(wanted.of, Axis(wanted.of, upwards.unit, *ends[1]), (_layer(wanted.of, x, y, ends),), height=320)
        axis = Axis(wanted.against, across.unit, *ends[0])
        yield Picture(
            f"{subject.anchor}-xy{number}", f"{name}: {wanted.of} over {wanted.against}", told, axis, (panel,)
        )


def _layer(name: str, x: Floats, y: Floats, ends: list[tuple[float, float]]) -> Layer:
    if x.size <= MOST_POINTS:
        return CurveLayer(name, INK, x, y)
    counts, _, _ = np.histogram2d(y, x, bins=(CELLS[1], CELLS[0]), range=(ends[1], ends[0]))
    return DensityLayer(name, narrow(counts.astype(np.int64)), ends[0], ends[1])


def _widened(values: Floats) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    margin = MARGIN * ((high - low) or abs(high) or 1.0)
    return low - margin, high + margin
