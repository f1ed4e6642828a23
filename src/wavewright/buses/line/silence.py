"""Why nothing was decoded: what is on the lines all the same, and what bit rate it looks like."""

from __future__ import annotations

import numpy as np

from wavewright.buses.bus_record import BusRecord
from wavewright.buses.line.bit_rate import shortest_pulse
from wavewright.quantities import show_quantity

FEWEST_EDGES = 4  # below that nothing looks like a rate


def why_silent(decoded: BusRecord) -> str:
    """In one sentence what the lines of a bus hold, for the case that no frame was found in them."""
    said = []
    for name, line in decoded.lines.items():
        if line is None:
            continue
        if not line.times.size:
            said.append(f"`{name}`: no edges, {'high' if line.first else 'low'} all the time")
            continue
        text = f"`{name}`: {line.times.size} edge{'s' * (line.times.size > 1)}"
        if line.times.size > 1:
            text += f", shortest pulse {show_quantity(float(np.diff(line.times).min()), 's')}"
        if line.times.size >= FEWEST_EDGES:
            text += f"; the rate looks like {show_quantity(1 / shortest_pulse(line.times), 'Bd')}"
        said.append(text)
    return f"no frames: {', '.join(said)}"
