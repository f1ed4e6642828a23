"""The last entry into a band: when a waveform with noise on it stays near its final value for good.

The last sample outside the band is no measure of that: of thousands of samples some lie three standard deviations out,
long after what carries the noise has come to rest, and where the band is entered slowly even little noise shifts the
last one by much. So the samples are averaged over a centred window, which leaves straight lines where they are, and the
window is as wide as the noise asks for, but

- at most a tenth of the time that passes up to the entry, so that a decay is hardly bent by it, and
- no wider than leaves nothing but noise between samples and averages on the way to the entry, so that ringing is kept.

Without noise the window is one sample. The rule is ours: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from wavewright.waveform import Floats

BLOCK = 1 << 16  # samples
WANTED = 30.0  # half the height of the band over the noise of an average
SHARE = 10.0  # of the time up to the entry, that a window covers one part of at most
MOST_LEFT = 1.5  # between samples and averages, over the noise
NOISY = 6.0  # averages scatter beyond the band by chance where half its height is less than so many deviations
ROUNDS = 6


@dataclass(frozen=True, slots=True)
class LastEntry:
    """Where a stretch enters a band for good.

    Parameters
    ----------
    place : in samples from the first of the record, not rounded. `uncertainty` : standard, in samples, by the noise.
    end : the sample behind the last one inside: where the stretch ends, or leaves the band for the next transition.
    is_noisy : averages may lie outside by chance.
    """

    place: float
    uncertainty: float
    end: int
    is_noisy: bool


@dataclass(frozen=True, slots=True)
class Stretch:
    """Samples `first` up to, and without, `last` of a record, and a band, in codes."""

    codes: npt.NDArray[Any]
    first: int
    last: int
    low: float
    high: float

    def averages(self, begin: int, end: int, window: int) -> Floats:
        """Averages centred on the samples `begin` up to, and without, `end`; shorter at the ends of the stretch."""
        reach = window // 2
        head, tail = max(self.first, begin - reach), min(self.last, end + reach)
        part: Floats = self.codes[head:tail].astype(np.float64)
        if window == 1:
            return part
        sums = np.concatenate([[0.0], np.cumsum(part - part[0])])
        places = np.arange(begin, end)
        left, right = np.maximum(places - reach, head) - head, np.minimum(places + reach + 1, tail) - head
        averages: Floats = part[0] + (sums[right] - sums[left]) / (right - left)
        return averages

    def last_outside(self, window: int, *, before: int | None = None, outside: bool = True) -> int:
        """The last average outside the band (inside it, if not `outside`), −1 where there is none; from the end on."""
        last = self.last if before is None else before
        for end in range(last, self.first, -BLOCK):
            begin = max(self.first, end - BLOCK)
            values = self.averages(begin, end, window)
            found = np.flatnonzero(((values < self.low) | (values > self.high)) == outside)
            if found.size:
                return begin + int(found[-1])
        return -1


def find_last_entry(stretch: Stretch, *, noise: float, leaves: bool = False) -> LastEntry | None:
    """The last entry into the band; None where the stretch is outside at its end.

    Parameters
    ----------
    noise : standard deviation, in codes.
    leaves : whether the stretch may leave the band at its end, as where the next transition begins.

    Returns
    -------
    The `place` is −1 where no sample is outside.
    """
    half = (stretch.high - stretch.low) / 2
    wanted = (WANTED * noise / half) ** 2
    window = _odd(min(wanted, (stretch.last - stretch.first) / SHARE))
    for _ in range(ROUNDS):
        last, end = _look(stretch, window, leaves)
        narrower = _odd(min(wanted, max(0, last - stretch.first) / SHARE))
        if narrower >= window:
            break
        window = narrower
    while window > 1 and last >= 0 and _bends(stretch, window, last, noise):
        window = _odd(window / 2)
        last, end = _look(stretch, window, leaves)
    if last + 1 >= end:
        return None
    left = noise / math.sqrt(window)
    if last < 0:
        return LastEntry(-1.0, 0.0, end, NOISY * left > half)
    outside, inside = (float(value) for value in stretch.averages(last, last + 2, window))
    edge = stretch.high if outside > stretch.high else stretch.low
    place = float(last + (outside - edge) / (outside - inside))
    return LastEntry(place, _uncertainty(stretch, last, window, left), end, NOISY * left > half)


def _look(stretch: Stretch, window: int, leaves: bool) -> tuple[int, int]:
    """The last average outside, and where the stretch inside ends."""
    end = stretch.last
    if leaves:
        end = stretch.last_outside(window, outside=False) + 1
    return stretch.last_outside(window, before=end), end


def _bends(stretch: Stretch, window: int, last: int, noise: float) -> bool:
    """Whether the window takes more than noise away, in the second half of the time up to the entry."""
    begin = max((stretch.first + last) // 2, last - BLOCK)
    if last - begin < 2:
        return False
    taken = stretch.codes[begin:last].astype(np.float64) - stretch.averages(begin, last, window)
    return float(np.sqrt(np.mean(taken**2))) > MOST_LEFT * noise


def _uncertainty(stretch: Stretch, last: int, window: int, left: float) -> float:
    """What noise of the averages does to the instant, in samples: over the slope there."""
    reach = max(1, window, round((last - stretch.first) / SHARE))
    begin, end = max(stretch.first, last - reach), min(stretch.last - 1, last + reach)
    ends = [float(stretch.averages(place, place + 1, window)[0]) for place in (begin, end)]
    slope = abs(ends[1] - ends[0]) / max(1, end - begin)
    # a slope that is lost in the noise says no more than that it is not steeper
    instant = left / max(slope, left / (stretch.last - stretch.first))
    return math.sqrt(2) * instant  # the last of several touches lies later than the true one by about as much again


def _odd(size: float) -> int:
    return 2 * (int(size) // 2) + 1 if size >= 1 else 1
