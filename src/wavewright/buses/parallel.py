"""A parallel bus with a clock: all data lines are read at an edge of the clock."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, Literal

import numpy as np

from wavewright.buses.catalogue import bus
from wavewright.buses.frames import Frames
from wavewright.buses.line.clocking import NARROW, NARROW_DATA, spiked, too_soon
from wavewright.buses.line.columns import Flags, Numbers
from wavewright.buses.line.logic import Line
from wavewright.buses.vocabulary import WORD, Vocabulary
from wavewright.errors import Misuse
from wavewright.waveform import Floats

WIDEST = 16
FEWEST_SAMPLES = 2.5  # a pulse of the clock


def _refuse_no_data(lines: Collection[str], _: Mapping[str, Any]) -> None:
    if not any(line.startswith("d") for line in lines):
        raise Misuse("parallel: no data line is given", expected="at least one of `d0` … `d15`")


@bus(
    "parallel",
    channels=("clock", *(f"d{place}?" for place in range(WIDEST))),
    source="common practice, no source",
    says=Vocabulary(kinds=("word",), fields={"data": WORD}, errors=("undefined", "glitch", "undersampled")),
    refuse=_refuse_no_data,
)
def parallel(clock: Line, *data: Line | None, edge: Literal["rising", "falling", "either"] = "rising") -> Frames:
    """Words on a parallel bus, one frame per clock edge; `d0` is the least significant bit.

    Fields: `data` (int; absent where a line lies between the levels). Lines that are not connected count as 0. A word
    beside a clock pulse much shorter than most has the error `glitch`.

    Parameters
    ----------
    edge : of the clock, at which the lines are read.
    """
    _refuse_no_data([f"d{place}" for place, line in enumerate(data) if line is not None], {})
    edges = {"rising": clock.rising, "falling": clock.falling, "either": clock.times}[edge]
    value = np.zeros(edges.size, dtype=np.int64)
    undefined = np.zeros(edges.size, dtype=np.bool_)
    period = float(np.median(np.diff(edges))) if edges.size > 1 else 0.0
    spikes = too_soon(edges, period)
    for place, line in enumerate(data):
        if line is not None:
            value |= line.is_high_along(edges).astype(np.int64) << place
            undefined |= line.is_undefined(edges)
            spikes |= spiked(line, edges, narrow=NARROW_DATA * period)
    widths = np.diff(clock.times)
    usual = float(np.median(widths)) if widths.size else 0.0
    ends = np.append(edges[1:], clock.end)
    rate = {"bit_rate": 1 / period} if edges.size > 1 else {}
    return Frames(
        edges,
        ends[: edges.size],
        "word",
        {"data": Numbers(value, ~undefined)},
        errors={
            "undefined": undefined,
            "glitch": _beside_narrow(clock, edges, NARROW * usual) | spikes,
            "undersampled": np.full(edges.size, 0.0 < usual < FEWEST_SAMPLES * clock.interval),
        },
        facts={"record_start": clock.start, "record_end": clock.end, **rate},
    )


def _beside_narrow(clock: Line, edges: Floats, width: float) -> Flags:
    """Which edges of the clock begin or end a pulse shorter than `width`, s."""
    is_narrow = np.concatenate([[False], np.diff(clock.times) < width, [False]])
    return np.asarray((is_narrow[:-1] | is_narrow[1:])[np.searchsorted(clock.times, edges)])
