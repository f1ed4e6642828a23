"""State levels: the levels at which a two-state waveform stays, by the methods of IEEE 181-2011 †.

The codes between the extremes are cut at mid-range into a lower and an upper half; a code exactly at mid-range is in
neither. Each half gives the level of its state:

| method | level |
|---|---|
| `mode` | median of the most populated bin of the half. 256 bins between the extremes, so one code a bin where the record spans fewer codes; of equally populated bins the outermost counts |
| `mean` | mean of the half |
| `median` | median of the half |
| `shorth` | mean of the shortest interval that holds half of the samples of the half; of several, the mean of theirs |
| `extremes` | minimum and maximum |
| `auto` | `mode` for a half that stays at a level: 40 % of its samples within 5 % of the range around the mode, and a valley of half the height between the two modes. Else its extreme |
| `declared` | what the user says they are |

Bins and ties are counted from the extremes inwards, so that an inverted waveform has the inverted levels. A sine has
29 % and a triangle 10 % of each half within 5 % of its extreme, and noise has one peak and no valley: for these `auto`
takes the extremes, where the mode would pick one of many almost equal bins by chance.
"""  # noqa: E501 a row of a table is one line

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.record.found_once import computed_once
from wavewright.analysis.record.histogram import Histogram
from wavewright.errors import Misuse, NotMeasurable

if TYPE_CHECKING:
    import numpy.typing as npt

BINS = 256
DWELL_BAND = 0.05  # of the range, to either side of the mode
DWELL_SHARE = 0.4  # of the samples of the half
SAME_WIDTH = 1e-9  # of the range
VALLEY = 0.5  # of the samples around the lesser of the two modes


class LevelMethod(StrEnum):
    """How the level of a state is estimated from the samples of its half of the record."""

    AUTO = "auto"
    MODE = "mode"
    MEAN = "mean"
    MEDIAN = "median"
    SHORTH = "shorth"
    EXTREMES = "extremes"
    DECLARED = "declared"


@dataclass(frozen=True, slots=True)
class LevelChoice:
    """How the state levels are to be found: a method, and what is declared, in the waveform's unit."""

    method: LevelMethod = LevelMethod.AUTO
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class StateLevels:
    """Low and high state level.

    Parameters
    ----------
    low, high : in the waveform's unit.
    method : that was asked for.
    has_states : both are levels that the waveform stays at, or declared.
    explanation : how each came about, in words.
    """

    low: float
    high: float
    method: LevelMethod
    has_states: bool = True
    explanation: str = ""

    @property
    def amplitude(self) -> float:
        """High minus low state level."""
        return self.high - self.low


@dataclass(frozen=True, eq=False)
class Half:
    """The samples of one state: their histogram counted from the extreme inwards, and the range of the whole record."""

    depths: Histogram  # distance from the extreme, in codes
    span: float  # of the record, in codes

    @computed_once
    def mode(self) -> float:
        """Depth of the median of the most populated bin, the outermost of several."""
        bins = np.minimum((self.depths.codes / self.span * BINS).astype(np.int64), BINS // 2)
        counts = np.bincount(bins, weights=self.depths.counts)
        fullest = bins == np.argmax(counts)
        return _median(self.depths.codes[fullest], self.depths.counts[fullest])

    @property
    def dwell(self) -> float:
        """Share of the samples of this half within 5 % of the range around its mode."""
        near = np.abs(self.depths.codes - self.mode) <= DWELL_BAND * self.span
        return float(self.depths.counts[near].sum()) / self.depths.total


def halves(histogram: Histogram) -> tuple[Half, Half]:
    """The lower and the upper half of a histogram of at least two codes."""
    lowest, highest = histogram.extremes
    span = highest - lowest
    from_below, from_above = histogram.codes - lowest, (highest - histogram.codes)[::-1]
    lower, upper = from_below < span / 2, from_above < span / 2
    below = Histogram(from_below[lower], histogram.counts[lower], histogram.is_exact)
    above = Histogram(from_above[upper], histogram.counts[::-1][upper], histogram.is_exact)
    return Half(below, span), Half(above, span)


def mode(half: Half) -> float:
    """Depth of the mode."""
    return half.mode


def mean(half: Half) -> float:
    """Depth of the mean of the half."""
    return float(np.average(half.depths.codes, weights=half.depths.counts))


def median(half: Half) -> float:
    """Depth of the median of the half: of an even number of samples, the mean of the two in the middle."""
    return _median(half.depths.codes, half.depths.counts)


def _median(codes: npt.NDArray[np.float64], counts: npt.NDArray[np.int64]) -> float:
    upto = np.cumsum(counts)
    middle = np.searchsorted(upto, [(upto[-1] + 1) // 2, upto[-1] // 2 + 1])
    return float(codes[middle].mean())


def shorth(half: Half) -> float:
    """Depth of the mean of the shortest interval that holds at least half of the samples of the half."""
    codes, counts = half.depths.codes, half.depths.counts
    before = np.concatenate([[0], np.cumsum(counts)])
    needed = (before[-1] + 1) // 2
    starts = np.flatnonzero(before[:-1] + needed <= before[-1])
    ends = np.searchsorted(before, before[starts] + needed)  # exclusive
    widths = codes[ends - 1] - codes[starts]
    shortest = widths <= widths.min() + SAME_WIDTH * half.span  # codes stored as floats are rounded
    weighted = np.concatenate([[0.0], np.cumsum(codes * counts)])
    means = (weighted[ends] - weighted[starts])[shortest] / (before[ends] - before[starts])[shortest]
    return float(means.mean())


ESTIMATORS: Mapping[LevelMethod, Callable[[Half], float]] = {
    LevelMethod.MODE: mode,
    LevelMethod.MEAN: mean,
    LevelMethod.MEDIAN: median,
    LevelMethod.SHORTH: shorth,
    LevelMethod.EXTREMES: lambda half: 0.0,
}


def level_codes(
    histogram: Histogram, method: LevelMethod, names: tuple[str, str] = ("low", "high")
) -> tuple[float, float, bool, str]:
    """Lower and upper state level in codes, whether both are dwelt at, and how each came about.

    Parameters
    ----------
    histogram : of at least two codes.
    names : of the state with the lower codes, and of the one with the higher.
    """
    lowest, highest = histogram.extremes
    below, above = halves(histogram)
    parted = _are_parted(histogram, lowest + mode(below), highest - mode(above))
    depths, words, dwelt = [], [], True
    for half, name in zip((below, above), names, strict=True):
        share_of_dwell = half.dwell
        dwells = parted and share_of_dwell >= DWELL_SHARE
        chosen = method
        if method is LevelMethod.AUTO:
            chosen = LevelMethod.MODE if dwells else LevelMethod.EXTREMES
        depths.append(ESTIMATORS[chosen](half))
        share = f"{share_of_dwell:.0%} of its samples within {DWELL_BAND:.0%} of the range around the mode"
        words.append(f"{name} state: {chosen}, {share}")
        dwelt &= dwells
    if not parted:
        words.append("no valley between the two modes")
    return lowest + depths[0], highest - depths[1], dwelt, "; ".join(words)


def _are_parted(histogram: Histogram, low: float, high: float) -> bool:
    """Whether there is a valley between two modes: somewhere half as many samples as at the lesser of them."""
    lowest, highest = histogram.extremes
    band = DWELL_BAND * (highest - lowest)
    before = np.concatenate([[0], np.cumsum(histogram.counts)])
    centres = np.linspace(low, high, 64)
    begins = np.searchsorted(histogram.codes, centres - band, side="left")
    ends = np.searchsorted(histogram.codes, centres + band, side="right")
    near = before[ends] - before[begins]
    return bool(near.min() <= VALLEY * min(near[0], near[-1]))


def require_two_codes(histogram: Histogram, name: str, unit: str) -> None:
    """Refuse a record that has no two different codes.

    Raises
    ------
    NotMeasurable : it has not.
    """
    if histogram.codes.size < 2:
        found = f"{histogram.total} samples, all equal" if histogram.codes.size else "no valid sample"
        raise NotMeasurable(
            f"state levels of `{name}`: {found}",
            expected="at least two different codes",
            do=f"check that the signal is present, or take a smaller range, in {unit}",
        )


def check_choice(choice: LevelChoice) -> None:
    """Refuse level options that contradict each other.

    Raises
    ------
    Misuse : they do.
    """
    if choice.method is LevelMethod.DECLARED and (choice.low is None or choice.high is None):
        raise Misuse("`levels` is `declared`", expected="`low_state` and `high_state` with it")
    if choice.low is not None and choice.high is not None and not choice.low < choice.high:
        raise Misuse(f"`low_state` {choice.low:g} is not below `high_state` {choice.high:g}")
