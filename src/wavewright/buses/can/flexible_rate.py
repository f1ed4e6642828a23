"""CAN FD: frames with up to 64 data bytes, a faster data phase, and a longer check.

Frames that nothing disturbs are read all at once, by the distances of their edges; the others bit by bit. Both ways say
the same of a frame that both can read.
"""

from __future__ import annotations

import numpy as np

from wavewright.analysis.record.found_once import computed_once
from wavewright.buses.can.flexible_bits import BitByBit
from wavewright.buses.can.flexible_runs import DominantPulses, read_undisturbed
from wavewright.buses.can.interleaved_frames import frame_table, interleaved
from wavewright.buses.frames import Frames
from wavewright.buses.line.columns import Flags
from wavewright.buses.line.logic import Line
from wavewright.waveform import Floats


class FlexibleFrames:
    """The CAN FD frames of a line.

    Parameters
    ----------
    times : duration of a bit in the arbitration and in the data phase, s.
    points : sample points in the two phases.
    """

    def __init__(self, line: Line, *, times: tuple[float, float], points: tuple[float, float]) -> None:
        self._line, self._times, self._points = line, times, points
        self._bit_by_bit = BitByBit(line, times=times, points=points)

    @computed_once
    def _pulses(self) -> DominantPulses:
        return DominantPulses.of(self._line)

    @computed_once
    def _flags(self) -> Floats:
        """When error flags begin, s: dominant for six bits of the arbitration phase, recessive for eight after them."""
        falls, rises, following = self._pulses.falls, self._pulses.rises, self._pulses.following
        flags: Floats = falls[(rises - falls > 5.5 * self._times[0]) & (following - rises > 7.5 * self._times[0])]
        return flags

    def read_anew(self, frames: Frames, flexible: Flags) -> Frames:
        """The same frames, those of CAN FD read anew.

        Parameters
        ----------
        flexible : which are of CAN FD.
        """
        chosen, flags = np.flatnonzero(flexible), self._flags
        starts, following = frames.starts[chosen], np.append(frames.starts[1:], self._line.end)[chosen]
        classical = np.flatnonzero(~flexible)
        parts = [(classical, frames.take(classical))]
        is_left = np.ones(chosen.size, dtype=np.bool_)
        for which, undisturbed in read_undisturbed(self._pulses, starts, times=self._times, points=self._points):
            flag = np.append(flags, np.inf)[np.searchsorted(flags, undisturbed.starts)]
            sound = np.flatnonzero(flag >= np.minimum(undisturbed.ends, following[which]))
            is_left[which[sound]] = False
            parts.append((chosen[which[sound]], undisturbed.take(sound)))
        left = np.flatnonzero(is_left)
        read = self._bit_by_bit.frames(starts[left], following[left], flags=flags)
        return interleaved([*parts, (chosen[left], frame_table(read))], facts=frames.facts)
