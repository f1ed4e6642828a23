"""Auto range: the range and the offset with which a signal fills most of the converter and clips nothing.

Nothing here speaks to an instrument: the runner takes a shot with `setting`, tells what it saw, and goes on until
`is_done`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from wavewright.analysis.record.survey import Survey
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

    `lowest`, `highest` : V; `resolution` : what one code stands for, V; the converter cut it off below, above, or both.
    """

    lowest: float
    highest: float
    resolution: float = 0.0
    is_cut_below: bool = False
    is_cut_above: bool = False

    @property
    def is_clipped(self) -> bool:
        """Whether the converter cut it off at all."""
        return self.is_cut_below or self.is_cut_above

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
        return Extent(lowest, highest, abs(wave.gain))
    floor, ceiling = sorted(wave.value_of(code) for code in wave.code_range)
    return Extent(lowest, highest, abs(wave.gain), is_cut_below=lowest <= floor, is_cut_above=highest >= ceiling)


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
        size, offset = self._after_clipping(seen, used) if seen.is_clipped else self._fitting(seen)
        part = seen.peak_to_peak / used.range
        is_same = math.isclose(size, used.range, rel_tol=SAME)
        self.is_done = (
            is_same and math.isclose(offset, used.offset, abs_tol=SAME * used.range)
            if seen.is_clipped
            else is_same or LEAST_USED <= part <= MOST_USED
        )
        self.setting = used if self.is_done else replace(used, range=size, offset=offset)
        self.remark = _remark(part, used, is_clipped=seen.is_clipped)

    def _after_clipping(self, seen: Extent, used: InputSetup) -> tuple[float, float]:
        """The next wider range; where there is none, half a range towards the side that is cut off."""
        self._too_small = max(self._too_small, used.range)
        if not self._offered:
            return WIDENING * used.range, used.offset
        wider = next((size for size in self._offered if size > used.range * (1 + SAME)), None)
        if wider is not None:
            return wider, used.offset
        self._too_small = 0.0  # the widest range serves, if the signal can be brought into it
        return used.range, used.offset + used.range / 2 * (seen.is_cut_above - seen.is_cut_below)

    def _fitting(self, seen: Extent) -> tuple[float, float]:
        """The smallest range that has not cut the signal off and of which it takes at most the wanted part."""
        width = seen.peak_to_peak + seen.resolution
        beyond = self._too_small * (1 + SAME)
        if not self._offered:
            return max(width / AIM, beyond), seen.middle
        least = max(width / MOST_USED, beyond)
        return next((size for size in self._offered if size >= least), self._offered[-1]), seen.middle


def _remark(part: float, used: InputSetup, *, is_clipped: bool) -> str:
    size = show_quantity(used.range, "V")
    offset = show_quantity(used.offset, "V", resolution=used.range / 1000)
    if is_clipped:
        return f"auto range: {size} round {offset}, and the signal goes beyond it"
    return f"auto range: {size} round {offset}, {show_quantity(part, '1', resolution=0.01)} of the codes used"
