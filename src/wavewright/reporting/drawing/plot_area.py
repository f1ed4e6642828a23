"""The place of a plot within a drawing: its two scales, and the rectangle that they span."""

from __future__ import annotations

from dataclasses import dataclass

from wavewright.reporting.drawing.scale import AxisScale


@dataclass(frozen=True, slots=True)
class PlotArea:
    """A rectangle, in units of the drawing, with x to the right and y downwards; `right` is a second vertical scale."""

    left: float
    top: float
    width: float
    height: float
    x: AxisScale
    y: AxisScale
    right: AxisScale

    @property
    def bottom(self) -> float:
        """Its lower edge."""
        return self.top + self.height

    @property
    def end(self) -> float:
        """Its right edge."""
        return self.left + self.width
