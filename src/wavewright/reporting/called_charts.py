"""The charts that the rules of a batch looked at: with the limits that they had, and the units at which they called."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wavewright.logbook.line_notes import LineNote
from wavewright.logbook.queries import Point
from wavewright.quantities import show_quantity
from wavewright.reporting.chart_pictures import run_link, widened
from wavewright.reporting.layers import PointsLayer
from wavewright.reporting.marks import LevelMark, MarkRole
from wavewright.reporting.palette import BLUE
from wavewright.reporting.picture import Axis, Panel, Picture


def called_picture(anchor: str, limits: LineNote, points: Sequence[Point], calls: Sequence[LineNote]) -> Picture:
    """One chart with its centre line, and its limits at 1, 2 and 3 sigma.

    Parameters
    ----------
    limits : the note that holds them; points : the first reading of each unit, in order; calls : of its rules.
    """
    says = limits.says
    centre, sigma, unit = float(says["centre"]), float(says["sigma"]), str(says["unit"])
    called = {str(call.says["run"]) for call in calls}
    valued = [(point, point.value) for point in points if point.value is not None]
    values = np.array([value for _, value in valued], dtype=np.float64)
    layer = PointsLayer(
        str(says["of"]), BLUE, 1 + np.arange(values.size, dtype=np.float64), values,
        tuple(point.serial or point.outcome for point, _ in valued),
        links=tuple(run_link(point.outcome) for point, _ in valued),
        failed=tuple(number for number, (point, _) in enumerate(valued) if point.outcome in called), is_joined=True,
    )  # fmt: skip
    marks = [LevelMark(centre, "centre line", MarkRole.CENTRE)]
    for count in (1, 2, 3):
        role = MarkRole.LIMIT if count == 3 else MarkRole.REFERENCE
        marks += [LevelMark(centre + side * count * sigma, f"{side * count:+d} sigma", role) for side in (-1, 1)]
    low, high = widened(min([*values, centre - 3 * sigma]), max([*values, centre + 3 * sigma]))
    panel = Panel(str(says["of"]), Axis("reading", unit, low, high), (layer,), tuple(marks), height=200)
    told = (
        f"{values.size} units; centre line {show_quantity(centre, unit)}, sigma {show_quantity(sigma, unit)}, "
        f"{says['source']}. Rules: {', '.join(says['rules'])}. "
        + (f"Called {len(calls)} times." if calls else "No rule called.")
    )
    title = f"{says['entry']}: chart of {says['of']}"
    return Picture(anchor, title, told, Axis("unit", "count", 0.5, max(values.size, 1) + 0.5), (panel,))
