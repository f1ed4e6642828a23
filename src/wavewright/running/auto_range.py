"""Auto range: the range and the offset with which a signal fills most of the converter and clips nothing.

Nothing here speaks to an instrument: the runner takes a shot with `setting`, tells what it saw, and goes on until
`is_done`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from wavewright.analysis.survey import Survey
from wavewright.instruments.setups import InputSetup
from wavewright.quantities import show_quantity
from wavewright.waveform import Waveform

LEAST_USED, MOST_USED = 0.6, 0.9  # wanted part of the range between the lowest and the highest sample
AIM = 0.75  # where the instrument takes any range at all
WIDENING = 4.0  # after a clipped shot, where the instrument takes any range at all
SAME = 0.02  # relative difference of two ranges that are meant to be one
MOST_SHOTS = 10
WIDEST = 400.0  # V, where the profile does not say what there is


@dataclass(frozen=True, slots=True)
class Extent:
    """The part of a range that a signal takes.

    `lowest`, `highest` : V; `resolution` : what one code stands for, V; `is_clipped` : the converter cut it off.
    """

    lowest: float
    highest: float
    resolution: float
    is_clipped: bool

    @property
    def peak_to_peak(self) -> float:
        """From the lowest to the highest value, V."""
        return self.highest - self.lowest

    @property
    def middle(self) -> float:
        """Half way between them, V."""
        return (self.highest + self.lowest) / 2


def extent(wave: Waveform) -> Extent:
    """The extent of a record; cut off if a sample stands on the lowest or the highest code of the converter."""
    lowest, highest = sorted(wave.value_of(code) for code in Survey(wave).extremes)
    if wave.code_range is None:
        return Extent(lowest, highest, abs(wave.gain), is_clipped=False)
    floor, ceiling = sorted(wave.value_of(code) for code in wave.code_range)
    return Extent(lowest, highest, abs(wave.gain), is_clipped=lowest <= floor or highest >= ceiling)


class RangeSearch:
    """The search for the range of one input, from the widest down; ranges that cut the signal off are not tried again.

    Parameters
    ----------
    first : the input as the recipe has it; its range is looked at only if it is to `begin` there.
    ranges : what the instrument offers at its connector, V peak to peak; empty if it takes any.
    begin : begin with the range that `first` has, and not with the widest: a search before has found it already.
    """

    def __init__(self, first: InputSetup, *, ranges: Sequence[float] = (), begin: bool = False) -> None:
        self._offered = sorted(size * first.attenuation for size in ranges)
        self._too_small = 0.0
        self.setting = first if begin else replace(first, range=self._offered[-1] if self._offered else WIDEST)
        self.is_done = False
        self.remark = ""

    def see(self, seen: Extent, used: InputSetup) -> None:
        """Take note of a shot that was taken with `used`, the setting as read back, and choose the next."""
        if seen.is_clipped:
            self._too_small = max(self._too_small, used.range)
            size, offset = self._wider(used.range), used.offset
        else:
            size, offset = self._fitting(seen.peak_to_peak + seen.resolution), seen.middle
        part = seen.peak_to_peak / used.range
        self.is_done = math.isclose(size, used.range, rel_tol=SAME) or (
            not seen.is_clipped and LEAST_USED <= part <= MOST_USED
        )
        self.setting = used if self.is_done else replace(used, range=size, offset=offset)
        self.remark = _remark(part, used, is_clipped=seen.is_clipped)

    def _wider(self, size: float) -> float:
        if not self._offered:
            return WIDENING * size
        return next((one for one in self._offered if one > size * (1 + SAME)), self._offered[-1])

    def _fitting(self, peak_to_peak: float) -> float:
        """The smallest range that has not cut the signal off and of which it takes at most the wanted part."""
        least = max(peak_to_peak / MOST_USED, self._too_small * (1 + SAME))
        if not self._offered:
            return max(peak_to_peak / AIM, self._too_small * (1 + SAME))
        return next((one for one in self._offered if one >= least), self._offered[-1])


def _remark(part: float, used: InputSetup, *, is_clipped: bool) -> str:
    size = show_quantity(used.range, "V")
    offset = show_quantity(used.offset, "V", resolution=used.range / 1000)
    if is_clipped:
        return f"auto range: {size} round {offset} is the widest there is, and the signal goes beyond it"
    return f"auto range: {size} round {offset}, {show_quantity(part, '1', resolution=0.01)} of the codes used"
