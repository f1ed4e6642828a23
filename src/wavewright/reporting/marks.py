"""What is marked in a picture: levels, instants, stretches of time, places, frames, and outlines.

Marks say what something is, in numbers; how it looks is up to what draws them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt


class MarkRole(StrEnum):
    """What a mark stands for."""

    LIMIT = "limit"
    REFERENCE = "reference"  # a level whose crossings were taken
    READING = "reading"
    FAILED = "failed"  # a reading that did not keep to its limit
    TRIGGER = "trigger"
    CENTRE = "centre"
    RARE = "rare"
    MASK = "mask"


@dataclass(frozen=True, slots=True)
class LevelMark:
    """A level across a panel."""

    value: float
    label: str
    role: MarkRole


@dataclass(frozen=True, slots=True)
class InstantMark:
    """A place on the horizontal axis, through a whole panel: the trigger, a tone, the limit of a distribution."""

    at: float
    label: str
    role: MarkRole


@dataclass(frozen=True, slots=True)
class SpanMark:
    """A stretch of the horizontal axis that was measured; of no length where an instant is meant.

    Parameters
    ----------
    told : what it is, for who goes there; it may say more than the label, or be there without one.
    spread : half-width of the interval of the reading, drawn around the end; 0 where it is not known.
    """

    first: float
    last: float
    label: str
    role: MarkRole
    told: str = ""
    spread: float = 0.0


@dataclass(frozen=True, slots=True)
class ZoneMark:
    """A stretch of the vertical axis, through a whole panel: the interval of a reading that is a level."""

    low: float
    high: float
    label: str
    role: MarkRole


@dataclass(frozen=True, slots=True)
class ReachMark:
    """From one level to another, at the side of a panel: a reading that is a difference of levels."""

    low: float
    high: float
    label: str
    role: MarkRole


@dataclass(frozen=True, slots=True)
class PlaceMark:
    """One place that a reading was read at; `value` is None where only the time is known, `told` as for a span."""

    at: float
    value: float | None
    label: str
    role: MarkRole
    told: str = ""


@dataclass(frozen=True, slots=True)
class FrameMark:
    """A decoded frame, in the strip above a panel, with what it says."""

    first: float
    last: float
    text: str
    is_bad: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class OutlineMark:
    """A path that is to be found among many: its stretches over time, each with its lowest and highest level.

    Parameters
    ----------
    times : shape (n,), left end of each stretch; step : its length.
    lows, highs : shape (n,).
    is_filled : whether the path itself is drawn too, where it would not be seen among the others.
    """

    times: npt.NDArray[np.float64]
    step: float
    lows: npt.NDArray[np.float64]
    highs: npt.NDArray[np.float64]
    label: str
    role: MarkRole
    is_filled: bool = True


@dataclass(frozen=True, slots=True)
class PolygonMark:
    """An area that is bounded by straight lines: a part of a mask. Corners are (x, y)."""

    corners: tuple[tuple[float, float], ...]
    label: str
    role: MarkRole


Mark = LevelMark | InstantMark | SpanMark | ZoneMark | ReachMark | PlaceMark | FrameMark | OutlineMark | PolygonMark
