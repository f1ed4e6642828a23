"""1-Wire: resets, presence pulses and slots as a line that idles high."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.bits import bits_of_word

RESET, WAIT, PRESENCE = 500e-6, 30e-6, 120e-6  # s
ONE, ZERO, SLOT = 6e-6, 70e-6, 80e-6  # s: low times, and the whole slot


def onewire_line(
    transactions: Sequence[bytes], *, present: bool = True, start: float = 0.0, lead: float = 1e-3, tail: float = 1e-3
) -> Line:
    """A line that carries transactions: each a reset, a presence pulse if somebody is there, and bytes."""
    times: list[float] = []
    now = start
    for sent in transactions:
        times += [now, now + RESET]
        now += RESET + WAIT
        if present:
            times += [now, now + PRESENCE]
        now += 400e-6
        for bit in (bit for byte in sent for bit in bits_of_word(byte, 8, order="lsb")):
            times += [now, now + (ONE if bit else ZERO)]
            now += SLOT
        now += SLOT
    return Line(True, np.array(times), start - lead, now + tail)
