"""States: how many levels a waveform stays at, and where they are, for lines with more than two."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import LEVELS, Reads
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.blocks import CODES_BLOCK, spans
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import COUNT, PROPER_SHARE, Sense
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Codes

if TYPE_CHECKING:
    import numpy.typing as npt

BINS = 256
FEWEST = 0.02  # of all samples, for a level to count as a state
APART = 0.02  # of the range, that two states are apart at least
WIDEST_NOISE = 0.14  # of the range
NOISE = 6.0  # standard deviations that two samples of one state may be apart
VALLEY = 0.5  # of the lower of two peaks, that the histogram falls below between them

Fewest = Annotated[float, "1", PROPER_SHARE]
Apart = Annotated[float, "1", Sense(above=0.0, below=0.5)]


@dataclass(frozen=True, slots=True)
class State:
    """One state: its level in the waveform's unit, and the share of all samples that belong to it."""

    level: float
    share: float


@metric(
    "states",
    reads=(*LEVELS, Reads.COUNTS),
    unit="count",
    source="definition is ours: peaks of the histogram, as said above",
)
def states(survey: Survey, *, fewest: Fewest = FEWEST, apart: Apart = APART) -> Reading:
    """States: number of levels at which the waveform stays.

    Drawing
    -------
        ─┐   ┌─   ▇▇▇▇▇▇  third state
      ┌──┘   │    ▇▇▇▇    second
      ┘   └──┘    ▇▇▇     first
      waveform    histogram

    A state is a peak of the code histogram (256 bins, smoothed over `apart` of the range) that holds at least `fewest`
    of all samples, half of them within twice `apart` or one standard deviation of the noise of the peak, with a valley
    below half of the smaller peak on the way to the next. Only samples that are near the one before or after them
    count: within `apart`, or within 6 standard deviations of the noise. How samples are stored does not matter: values
    with few different numbers among them have a bin each.

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    found = find_states(survey, fewest=fewest, apart=apart)
    lowest, highest = (survey.wave.value_of(code) for code in survey.extremes)
    is_lost = not found and survey.noise > apart * abs(highest - lowest)
    return Reading(float(len(found)), "count", count=len(found), doubts=(Doubt.NOISY,) if is_lost else ())


@metric("state_level", reads=LEVELS, unit="", source="definition is ours: level of a peak of the histogram")
def state_level(
    survey: Survey, *, number: Annotated[int, COUNT] = 1, fewest: Fewest = FEWEST, apart: Apart = APART
) -> Reading:
    """State level: the level of one of several states, counted from the lowest.

    Definition
    ----------
    Mean of the samples of the fullest part of the state, as `states` finds it; `number: 1` is the lowest.

    Raises
    ------
    NotMeasurable : there are fewer states.
    """
    if number < 1:
        raise Misuse(f"`number` is {number}", expected="1 for the lowest state, 2 for the next, …")
    found = find_states(survey, fewest=fewest, apart=apart)
    if number > len(found):
        raise NotMeasurable(f"`{survey.name}`: {len(found)} states", expected=f"at least {number}")
    state = found[number - 1]
    return Reading(state.level, survey.unit, uncertainty=_uncertainty(survey, state.share))


def _uncertainty(survey: Survey, share: float) -> float:
    """Standard, of a state's level: half a code step or half a bin, rectangular, and how noise moves the fullest bin.

    Of n samples in Gaussian noise the fullest bin wanders by about σ · n^(-1/4) / √2.
    """
    lowest, highest = survey.extremes
    span, step = abs(survey.wave.gain) * (highest - lowest), survey.record.step
    bin_width = span / _bin_count(survey, highest - lowest) if span else 0.0
    wander = survey.noise / math.sqrt(2) / math.sqrt(math.sqrt(max(1.0, share * survey.record.codes.size)))
    return math.hypot(max(step, min(bin_width, survey.noise)) / math.sqrt(12), wander)


def find_states(survey: Survey, *, fewest: float = FEWEST, apart: float = APART) -> tuple[State, ...]:
    """All states, the lowest first.

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    if not 0 < fewest < 1 or not 0 < apart < 0.5:
        raise Misuse(f"`fewest` is {fewest:g}, `apart` {apart:g}", expected="between 0 and 1, and between 0 and 0.5")
    lowest, highest = survey.extremes
    if lowest == highest:
        return (State(survey.wave.value_of(lowest), 1.0),)
    amount = _bin_count(survey, highest - lowest)
    tolerance = max(apart * (highest - lowest), NOISE * survey.noise / abs(survey.wave.gain))
    counts, sums = _dwelling(survey.record.codes, lowest, highest, amount, tolerance)
    # a signal of few samples per period counts as noise in part: of a sine less than half is that near to its peak
    noise = min(survey.noise / abs(survey.wave.gain) / (highest - lowest), WIDEST_NOISE)
    found = []
    for begin, end in _basins(_smoothed(counts, max(apart, noise))):
        members = slice(begin, end)
        share = float(counts[members].sum()) / survey.record.codes.size
        if share >= fewest and _dwells(counts[members], round(max(2 * apart, noise) * amount)):
            found.append(State(survey.wave.value_of(lowest + _level(counts[members], sums[members])), share))
    return tuple(sorted(found, key=lambda state: state.level))


def _bin_count(survey: Survey, span: float) -> int:
    """256 bins, or as many as there can be codes, so that none is empty because no code falls into it."""
    if survey.wave.codes.dtype.kind != "f":
        return int(min(BINS, span + 1))
    codes = survey.histogram.codes
    if not survey.histogram.is_exact or codes.size > BINS:
        return BINS
    step = float(np.diff(codes).min())  # of the converter that they came from
    is_steady = survey.noise < abs(survey.wave.gain) * step / 4  # then each number is a level of its own
    return BINS if is_steady else int(min(BINS, round(span / step) + 1))


def _dwelling(
    codes: Codes, lowest: float, highest: float, amount: int, tolerance: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Numbers, and sums above the lowest code, of the samples in each bin that are near the one before or after."""
    counts, sums = np.zeros(amount), np.zeros(amount)
    for first, last in spans(0, codes.size, CODES_BLOCK):
        begin = max(first - 1, 0)  # the block and one sample more on either side
        part = codes[begin : last + 1].astype(np.float64) - lowest
        still = np.abs(np.diff(part)) <= tolerance
        stays = np.append(still, False) | np.append(False, still)
        own = slice(first - begin, last - begin)
        above = part[own][stays[own]]
        bins = np.clip((above / (highest - lowest) * amount).astype(np.int64), 0, amount - 1)
        counts += np.bincount(bins, minlength=amount)
        sums += np.bincount(bins, weights=above, minlength=amount)
    return counts, sums


def _smoothed(counts: npt.NDArray[np.float64], apart: float) -> npt.NDArray[np.float64]:
    reach = round(apart * counts.size / 2)
    kernel = np.bartlett(2 * reach + 3)
    kernel /= kernel.sum()
    padded = np.pad(counts, reach + 1)
    smooth: npt.NDArray[np.float64] = (np.lib.stride_tricks.sliding_window_view(padded, kernel.size) * kernel).sum(
        axis=1
    )
    return smooth


def _basins(smooth: npt.NDArray[np.float64]) -> list[tuple[int, int]]:
    """Ranges of bins around each peak, cut at the valleys that are deep enough."""
    cuts, peak, valley = [0], 0, 0  # indices: of the highest bin since the last cut, of the lowest since that peak
    for place in range(1, smooth.size):
        if smooth[place] >= smooth[peak] and smooth[valley] >= VALLEY * smooth[peak]:
            peak = valley = place
        elif smooth[place] < smooth[valley]:
            valley = place
        elif smooth[valley] < VALLEY * min(smooth[peak], smooth[place]):
            cuts.append(valley)
            peak = valley = place
    return list(zip(cuts, [*cuts[1:], smooth.size], strict=True))


def _dwells(counts: npt.NDArray[np.float64], reach: int) -> bool:
    """Whether most samples of a basin lie near its peak: a slope that is merely passed through is not a state."""
    peak = int(counts.argmax())
    return float(counts[max(0, peak - max(reach, 1)) : peak + max(reach, 1) + 1].sum()) >= 0.5 * float(counts.sum())


def _level(counts: npt.NDArray[np.float64], sums: npt.NDArray[np.float64]) -> float:
    fullest = int(counts.argmax())
    return float(sums[fullest] / counts[fullest])
