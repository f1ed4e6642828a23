"""Rare paths as outlines: the cells of a shot that few others visited, in the density and in the trace of that shot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from wavewright.reporting.marks import MarkRole, OutlineMark

if TYPE_CHECKING:
    from wavewright.analysis.statistics.density import Density
    from wavewright.analysis.statistics.rare_paths import RarePath
    from wavewright.reporting.drawn_shot import DrawnShot


def rare_outlines(subject: DrawnShot, *, number: int | None = None) -> Iterator[tuple[str, OutlineMark]]:
    """An outline for each rare path, or for that of one shot, with the channel that it is of."""
    counted = subject.persistence
    if counted is None or counted.density is None:
        return
    for path in counted.rare_paths():
        if number is None or path.shot == number:
            outline = path_outline(path, counted.density)
            yield counted.channel, replace(outline, label=f"rare path of {outline.label}", is_filled=False)


def path_outline(path: RarePath, density: Density) -> OutlineMark:
    """The cells of a rare path: for each of their columns from the lowest to the highest."""
    width = (density.window[1] - density.window[0]) / density.columns
    height = (density.levels[1] - density.levels[0]) / density.rows
    columns, rows = np.divmod(np.asarray(path.where), density.rows)
    found, begins = np.unique(columns, return_index=True)  # cells are in order, and so are the rows of a column
    lows = np.minimum.reduceat(rows, begins)
    highs = np.maximum.reduceat(rows, begins) + 1
    return OutlineMark(
        density.window[0] + width * found,
        width,
        density.levels[0] + height * lows,
        density.levels[0] + height * highs,
        f"shot {path.shot + 1}",
        MarkRole.RARE,
    )
