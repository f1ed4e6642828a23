"""Neighbourhoods: the samples near the crossings of one level, where those of other levels are looked for.

A record has few transitions and many samples. To find where each transition passes its reference levels it is enough to
read the stretch round its middle, provided that the stretch holds a sample on either side of everything looked for, one
before its middle and one behind it; that is checked, and where it does not hold the whole record is read instead. The
crossings found are the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from wavewright.analysis.crossings import Crossings, Indices
from wavewright.analysis.record import Record
from wavewright.waveform import Codes, Floats, Waveform

REACHES = (16, 64, 256)  # samples to either side of a middle, tried in turn
SPARSE = 4  # together the neighbourhoods hold at most one in four samples


@dataclass(frozen=True, slots=True, eq=False)
class Neighbourhoods:
    """Stretches of equal length cut out of a record.

    Parameters
    ----------
    record : what they are cut out of.
    firsts : index of the first sample of each, shape (n,).
    codes : of the stretches, shape (n, length).
    """

    record: Record
    firsts: Indices
    codes: Codes

    @classmethod
    def of(cls, record: Record, middle: Crossings, low: float, high: float) -> Neighbourhoods | None:
        """The neighbourhoods of crossings, or None where they are too many, too close or too slow.

        Parameters
        ----------
        low, high : what each must come from and get beyond, on opposite sides, in the waveform's unit.
        """
        centres = np.floor(middle.either_places).astype(np.int64)
        if record.gaps.size or not centres.size:
            return None
        for reach in REACHES:
            length = 2 * reach
            firsts = np.clip(centres - (reach - 1), 0, record.codes.size - length)
            if SPARSE * length * centres.size > record.codes.size or np.any(np.diff(firsts) < length):
                return None
            codes = sliding_window_view(record.codes, length)[firsts]
            if _pass_through(record, firsts, codes, low, high):
                return cls(record, firsts, codes)
        return None

    def crossings(self, level: float, hysteresis: float) -> Crossings:
        """Crossings of a level in the neighbourhoods, as places and times of the whole record."""
        rising, falling = self.record.places_in(self.codes.ravel(), level, hysteresis)
        wave = self.record.wave
        return Crossings(self._original(rising), self._original(falling), wave.interval, wave.start)

    def _original(self, places: Floats) -> Floats:
        length = self.codes.shape[1]
        stretch = (places // length).astype(np.int64)
        return np.asarray(self.firsts[stretch] + (places - stretch * length), dtype=np.float64)


def _pass_through(record: Record, firsts: Indices, codes: Codes, low: float, high: float) -> bool:
    """Whether each comes from beyond one level and gets beyond the other; at an end of the record nothing is missed."""
    doubtful = np.flatnonzero(~_opposite(record.wave, codes[:, 0], codes[:, -1], low, high))
    doubtful = doubtful[(firsts[doubtful] > 0) & (firsts[doubtful] < record.codes.size - codes.shape[1])]
    if not doubtful.size:
        return True
    left, right = np.split(codes[doubtful], 2, axis=1)  # noise may put the outermost sample anywhere
    upward = _opposite(record.wave, left.min(axis=1), right.max(axis=1), low, high)
    downward = _opposite(record.wave, left.max(axis=1), right.min(axis=1), low, high)
    return bool((upward | downward).all())


def _opposite(wave: Waveform, first: Codes, last: Codes, low: float, high: float) -> npt.NDArray[np.bool_]:
    begin, end = (wave.offset + wave.gain * codes.astype(np.float64) for codes in (first, last))
    return ((begin < low) & (end > high)) | ((begin > high) & (end < low))
