"""A picture as numbers: axes, layers and marks, with no library in it. A page, SVG and the terminal draw it.

The page gets it as JSON: each layer and mark is an object of its fields and its `kind`, the name of the class without
`Layer` or `Mark`; so `TraceLayer` is `{"kind": "trace", "start": …}`. Arrays are lists, or
`{"array": "Float32Array", "packed": …}`, which `unpackPicture` of the page turns into arrays.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from wavewright.reporting.layers import Layer, TraceLayer
from wavewright.reporting.marks import Mark
from wavewright.reporting.packed_numbers import as_document, as_script_text
from wavewright.unit_symbols import takes_prefix

UNSAID = frozenset({"", "1", "count", "number"})  # units that nobody writes after a number
EMPTY = np.zeros(0, dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis.

    Parameters
    ----------
    title : what is along it; unit : of its numbers, `s UTC` where they are seconds since 1970-01-01 UTC.
    low, high : what is to be seen of it at first.
    is_log : whether equal ratios are equally long; low is above 0 then.
    names : words in place of the numbers 0, 1, 2, …
    """

    title: str
    unit: str
    low: float
    high: float
    is_log: bool = False
    names: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """For the page, with how numbers are to be written after one another: with a prefix, and the unit or none."""
        said = "" if self.unit in UNSAID or self.is_clock else self.unit
        return {
            **as_document(self), "unit": said, "is_clock": self.is_clock, "is_share": self.unit == "1",
            "has_prefix": not said or takes_prefix(said), "is_whole": self.unit == "count",
        }  # fmt: skip

    @property
    def is_clock(self) -> bool:
        """Whether its numbers are instants of UTC."""
        return self.unit == CLOCK


CLOCK = "s UTC"


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """One plot of a picture; the panels of a picture are below one another and have the horizontal axis in common.

    Parameters
    ----------
    name : of the channel or of what is drawn; axis : the vertical one; right : a second one, on the right.
    height : in pixels of the page, without axes and labels.
    """

    name: str
    axis: Axis
    layers: tuple[Layer, ...]
    marks: tuple[Mark, ...] = ()
    right: Axis | None = None
    height: int = 190


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """One figure.

    Parameters
    ----------
    name : unique in the report, of letters, digits and hyphens.
    title : above the figure; description : what it shows, for those who do not see it.
    axis : the horizontal one, of all panels.
    panels : from the top.
    """

    name: str
    title: str
    description: str
    axis: Axis
    panels: tuple[Panel, ...]

    def as_json(self) -> str:
        """As JSON that may be inside a script element of HTML."""
        return as_script_text(self.as_document())

    def as_document(self, *, has_samples: bool = True) -> dict[str, Any]:
        """As JSON takes it; without samples the points of traces are left out, and `samples` has them."""
        return {
            "name": self.name, "title": self.title, "description": self.description, "axis": self.axis.as_json(),
            "panels": [_panel(panel, has_samples) for panel in self.panels],
        }  # fmt: skip

    def samples(self) -> bytes:
        """The points of every trace, in order, float32 in little-endian order.

        A whole trace is its values; one of columns is the lowest ones, the highest ones, the means. `points` of each
        trace in `as_document` says how many of each there are.
        """
        parts = []
        for trace in self.traces():
            lines = (
                (trace.values,) if trace.lows is None or trace.highs is None
                else (trace.lows, trace.highs, trace.values)
            )  # fmt: skip
            parts += [line.astype("<f4").tobytes() for line in lines]
        return b"".join(parts)

    def traces(self) -> Iterator[TraceLayer]:
        """Every trace in it, from the top."""
        for panel in self.panels:
            yield from (layer for layer in panel.layers if isinstance(layer, TraceLayer))

    @property
    def record_bytes(self) -> int:
        """How many bytes of raw codes it has in it."""
        return sum(trace.record.codes.nbytes for trace in self.traces() if trace.record is not None)


def _panel(panel: Panel, has_samples: bool) -> dict[str, Any]:
    return {
        "name": panel.name, "axis": panel.axis.as_json(), "right": panel.right and panel.right.as_json(),
        "height": panel.height, "marks": as_document(panel.marks),
        "layers": [_layer(layer, has_samples) for layer in panel.layers],
    }  # fmt: skip


def _layer(layer: Layer, has_samples: bool) -> dict[str, Any]:
    if not isinstance(layer, TraceLayer):
        found: dict[str, Any] = as_document(layer)
        return found
    ends = None if layer.is_whole else EMPTY
    bare = layer if has_samples else replace(layer, values=EMPTY, record=None, lows=ends, highs=ends)
    return {**as_document(bare), "points": int(layer.values.size), "is_whole": layer.is_whole}
