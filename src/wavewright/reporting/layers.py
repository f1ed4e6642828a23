"""Layers of a panel: what is drawn over one another, in numbers and not in lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from wavewright.waveform import Waveform

Floats32 = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class TraceLayer:
    """A record over time, equally spaced; whole, or as lowest, highest and mean sample of each column.

    Parameters
    ----------
    start, step : place of the first point, and distance of two.
    values : shape (n,), the samples, or the mean of each column. NaN where there is no valid sample.
    lows, highs : shape (n,); None where the record is whole. Then `start` is the middle of the first column.
    record : the waveform itself, for looking closer; None where the columns have to do.
    """

    name: str
    unit: str
    colour: str
    start: float
    step: float
    values: Floats32
    lows: Floats32 | None = None
    highs: Floats32 | None = None
    record: Waveform | None = None

    @property
    def is_whole(self) -> bool:
        """Whether each point is one sample."""
        return self.lows is None

    def low(self) -> Floats32:
        """The lowest sample at each point."""
        return self.values if self.lows is None else self.lows

    def high(self) -> Floats32:
        """The highest sample at each point."""
        return self.values if self.highs is None else self.highs


@dataclass(frozen=True, slots=True, eq=False)
class BandLayer:
    """The area between two lines: a tolerance, an interval over a condition."""

    name: str
    colour: str
    x: Floats
    lows: Floats
    highs: Floats


@dataclass(frozen=True, slots=True, eq=False)
class DensityLayer:
    """Counts on a grid, shape (levels, columns), the lowest level first.

    Parameters
    ----------
    across : left and right edge of the grid; upwards : lower and upper edge.
    """

    name: str
    counts: npt.NDArray[Any]
    across: tuple[float, float]
    upwards: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class PointsLayer:
    """Single points.

    Parameters
    ----------
    x, y : shape (n,).
    labels : what each is called, n of them or none; links : where each leads, within the page or beside it.
    failed : the numbers of those that are outside what they should keep to.
    is_joined : whether a line goes through them.
    """

    name: str
    colour: str
    x: Floats
    y: Floats
    labels: tuple[str, ...] = ()
    links: tuple[str, ...] = ()
    failed: tuple[int, ...] = ()
    is_joined: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class BarsLayer:
    """Bars from 0 upwards; `edges`, shape (n + 1,), are where one ends and the next begins, `heights` is shape (n,)."""

    name: str
    colour: str
    edges: Floats
    heights: Floats


@dataclass(frozen=True, slots=True, eq=False)
class CurveLayer:
    """A line through points in their order, over any axis; it may run backwards, and NaN leaves a gap.

    Parameters
    ----------
    x, y : shape (n,).
    lows, highs : shape (n,), the interval of each point; None where it is not known.
    is_on_right : whether its values are those of the axis on the right.
    has_points : whether each point is drawn as such too.
    """

    name: str
    colour: str
    x: Floats
    y: Floats
    lows: Floats | None = None
    highs: Floats | None = None
    is_on_right: bool = False
    has_points: bool = False


Layer = TraceLayer | BandLayer | DensityLayer | PointsLayer | BarsLayer | CurveLayer
