"""A picture of a report: a figure for plotly, what it shows in words, and the raw codes that it may be redrawn from."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from wavewright.waveform import Waveform


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """One figure.

    Parameters
    ----------
    name : unique in the report, of letters, digits and hyphens.
    title : above the figure; description : what it shows, for those who do not see it.
    figure : as plotly has it.
    detail : for the number of a trace in the figure, the waveform that it outlines: zooming in redraws the trace from
        the codes themselves.
    along : what the horizontal axis is.
    """

    name: str
    title: str
    description: str
    figure: go.Figure
    detail: Mapping[int, Waveform] = field(default_factory=dict)
    along: str = "time"

    def as_json(self) -> str:
        """Figure and details as JSON that may be inside a script element of HTML."""
        document = {
            "figure": json.loads(self.figure.to_json()),
            "detail": {str(trace): _codes(wave) for trace, wave in self.detail.items()},
        }
        # `</script>` inside would end the element, `<!--` would change how it is read
        return json.dumps(document, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")


def _codes(wave: Waveform) -> dict[str, Any]:
    codes = wave.codes.astype(np.float32) if wave.codes.dtype.kind == "f" else wave.codes
    little = np.ascontiguousarray(codes, dtype=codes.dtype.newbyteorder("<"))
    return {
        "codes": base64.b64encode(little.data).decode("ascii"),
        "kind": f"{'Float' if codes.dtype.kind == 'f' else 'Uint' if codes.dtype.kind == 'u' else 'Int'}"
        f"{8 * codes.dtype.itemsize}Array",
        "gain": wave.gain,
        "offset": wave.offset,
        "start": wave.start,
        "interval": wave.interval,
    }
