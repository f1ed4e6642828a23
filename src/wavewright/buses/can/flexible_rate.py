"""CAN FD: frames with up to 64 data bytes, a faster data phase, and a longer check.

Frames that nothing disturbs are read all at once, by the distances of their edges; the others bit by bit. Both ways say
the same of a frame that both can read.
"""

from __future__ import annotations

import numpy as np

from wavewright.buses.can.flexible_bits import read_bit_by_bit
from wavewright.buses.can.flexible_runs import DominantPulses, read_undisturbed
from wavewright.buses.can.interleaved_frames import frame_table, interleaved
from wavewright.buses.frames import Frames
from wavewright.buses.line.columns import Flags
from wavewright.buses.line.logic import Line
from wavewright.waveform import Floats


def with_flexible_frames(
    frames: Frames, flexible: Flags, line: Line, *, times: tuple[float, float], points: tuple[float, float]
) -> Frames:
    """The same frames, those of CAN FD read anew.

    Parameters
    ----------
    flexible : which are of CAN FD.
    times : duration of a bit in the arbitration and in the data phase, s.
    points : sample points in the two phases.
    """
    chosen = np.flatnonzero(flexible)
    starts, following = frames.starts[chosen], np.append(frames.starts[1:], line.end)[chosen]
    pulses = DominantPulses.of(line)
    flags = _error_flags(pulses, times[0])
    classical = np.flatnonzero(~flexible)
    parts = [(classical, frames.take(classical))]
    is_left = np.ones(chosen.size, dtype=np.bool_)
    for which, undisturbed in read_undisturbed(pulses, starts, times=times, points=points):
        flag = np.append(flags, np.inf)[np.searchsorted(flags, undisturbed.starts)]
        sound = np.flatnonzero(flag >= np.minimum(undisturbed.ends, following[which]))
        is_left[which[sound]] = False
        parts.append((chosen[which[sound]], undisturbed.take(sound)))
    left = np.flatnonzero(is_left)
    read = read_bit_by_bit(line, starts[left], following[left], times=times, points=points, flags=flags)
    return interleaved([*parts, (chosen[left], frame_table(read))], facts=frames.facts)


def _error_flags(pulses: DominantPulses, bit: float) -> Floats:
    """When error flags begin, s: dominant for six bits of the arbitration phase, recessive for eight after them."""
    falls, rises, following = pulses.falls, pulses.rises, pulses.following
    flags: Floats = falls[(rises - falls > 5.5 * bit) & (following - rises > 7.5 * bit)]
    return flags
