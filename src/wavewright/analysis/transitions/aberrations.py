"""Aberrations: how far the waveform goes beyond its states before and after a transition.

      overshoot ─┬─  ╭╮
      high state ┴┈┈╱┈┈╲┈╱──    undershoot after it ─┬─
                   ╱    ╰╯                           ┴
      low state ─╮╱
      preshoot ─┴╰╯

Terms of IEEE 181-2011 †; the regions are our own, as follows. The state between two
transitions belongs half to the one before, half to the one after: from each middle instant half way to the next. After
a transition the region begins at the second reference level, and for what goes against the transition (undershoot of a
rising one) where a sample has reached the state level; it ends with that half of the state. Before a transition it is
the last three durations of the transition before its first reference level, within that half. `region` makes both so
many durations long; three after a transition are the other usual choice, which misses the ringing of a fast edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import EXTREMES, LEVELS, Finding, Reads
from wavewright.analysis.elementary.exponentials import log
from wavewright.analysis.elementary.median import median
from wavewright.analysis.levels.between_samples import NOISE_OF_RISE, missed_at
from wavewright.analysis.levels.extreme_lift import (
    NEAR,
    OF_LIFT,
    ON_A_CREST,
    ON_A_STATE,
    SCATTER_OF_LARGEST,
    STATE_REACH,
    lift_of_largest,
)
from wavewright.analysis.levels.level_uncertainty import level_uncertainty
from wavewright.analysis.parameters import ReferenceLevel, Slope
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.interleaving import places_among
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE
from wavewright.analysis.time.edges import noise_doubts, state_doubts
from wavewright.analysis.transitions.rise_and_fall import whole_transitions
from wavewright.analysis.transitions.transitions import HIGH, LOW, Transitions, middle_level
from wavewright.errors import Misuse, NotMeasurable
from wavewright.quantities import show_quantity
from wavewright.waveform import Codes, Floats

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.analysis.record.crossings import Crossings

NOISY_PART = 0.1  # of the aberration, that noise may make of it
LOOKED_AT = 16  # segments; the median of the samples near their extremes stands for all
RESOLVED = 2.0  # sample intervals; beside a transition of fewer, the peak too may lie between two samples
LEAST_TOLD = 0.01  # of the amplitude: less does not matter to anybody
SOURCE = (
    "IEEE 181-2011, terms 'overshoot', 'undershoot', 'preshoot' †; the regions are our own, stated in the definition"
)

Ratio = Annotated[float, "1", POSITIVE]


@metric("overshoot", reads=(*EXTREMES, *LEVELS, Reads.TRANSITIONS), unit="1", source=SOURCE, reads_levels=True)
def overshoot(
    survey: Survey,
    *,
    slope: Slope = Slope.RISING,
    region: Ratio | None = None,
    low: ReferenceLevel = LOW,
    high: ReferenceLevel = HIGH,
) -> Reading:
    """Overshoot: how far the waveform rises above its state after a transition, over the amplitude.

    Drawing
    -------
                    ╭╮  ┬ overshoot
      high state ┈┈╱┈┈╲╱╰──
                  ╱
      low state ─╯

    After a falling transition (`slope: falling`) it is the highest rebound above the low state, once that was reached.

    Raises
    ------
    NotMeasurable : no whole transition of that slope.
    """
    return _after(survey, slope, region, low, high, upward=True)


@metric("undershoot", reads=(*EXTREMES, *LEVELS, Reads.TRANSITIONS), unit="1", source=SOURCE, reads_levels=True)
def undershoot(
    survey: Survey,
    *,
    slope: Slope = Slope.FALLING,
    region: Ratio | None = None,
    low: ReferenceLevel = LOW,
    high: ReferenceLevel = HIGH,
) -> Reading:
    """Undershoot: how far the waveform falls below its state after a transition, over the amplitude.

    Drawing
    -------
      high state ─╮
                   ╲
      low state ┈┈┈┈╲┈┈╱╲╭──
                     ╰╯  ┴ undershoot

    After a rising transition (`slope: rising`) it is the deepest dip below the high state, once that was reached.

    Raises
    ------
    NotMeasurable : no whole transition of that slope.
    """
    return _after(survey, slope, region, low, high, upward=False)


@metric("preshoot", reads=(*EXTREMES, *LEVELS, Reads.TRANSITIONS), unit="1", source=SOURCE, reads_levels=True)
def preshoot(
    survey: Survey,
    *,
    slope: Slope = Slope.RISING,
    region: Ratio = 3.0,
    low: ReferenceLevel = LOW,
    high: ReferenceLevel = HIGH,
) -> Reading:
    """Preshoot: largest deviation before a transition, opposite to its direction, over the amplitude.

    Drawing
    -------
      high state       ╭──
                      ╱
      low state ─╮┈┈┈╱┈┈┈
                 ╰──╯  ┴ preshoot

    Below the low state before a rising transition, above the high state before a falling one.

    Raises
    ------
    NotMeasurable : no whole transition of that slope.
    """
    one = _single(slope)
    taken = whole_transitions(survey, one, low, high)
    before, _ = _shares(survey, taken, survey.crossings(middle_level(survey, low, high)))
    begins = np.maximum(before, taken.starts - _checked(region) * (taken.ends - taken.starts))
    upward = one is Slope.FALLING
    begins, ends = np.ceil(begins), np.ceil(taken.starts)
    found = _extremes(survey, begins, ends, upward=upward)
    return _resolved(_reading(survey, found, taken, upward=upward, state_is_high=upward), survey, taken)


def _after(
    survey: Survey, slope: Slope, region: float | None, low: ReferenceLevel, high: ReferenceLevel, *, upward: bool
) -> Reading:
    one = _single(slope)
    taken = whole_transitions(survey, one, low, high)
    is_high = one is Slope.RISING
    # a rebound begins when the state has been reached
    state = None if upward == is_high else survey.wave.code_of(survey.levels.high if is_high else survey.levels.low)
    middle = survey.crossings(middle_level(survey, low, high))
    key = ("extremes after", upward, survey.wave.gain > 0, region, state)
    found = survey.record.shared.once_of(
        key,
        (taken, middle.rising_places, middle.falling_places),
        lambda: _extremes(
            survey, *_segments_after(survey, taken, middle, region, state, is_high=is_high), upward=upward
        ),
    )
    return _resolved(_reading(survey, found, taken, upward=upward, state_is_high=is_high), survey, taken)


def _segments_after(
    survey: Survey, taken: Transitions, middle: Crossings, region: float | None, state: float | None, *, is_high: bool
) -> tuple[Floats, Floats]:
    """First samples of the regions after transitions, and the samples after their last ones."""
    _, ends = _shares(survey, taken, middle)
    if region is not None:
        ends = np.minimum(ends, taken.ends + _checked(region) * (taken.ends - taken.starts))
    begins = np.ceil(taken.ends)
    if state is not None:
        begins = _reached(survey, begins, ends, state, is_high=is_high)
    return begins, np.floor(ends) + 1


def _with_missed(reading: Reading, survey: Survey, missed: float) -> Reading:
    """The reading, in doubt where the peaks may lie noticeably, and a limit no further, beyond their samples."""
    noise = NOISE_OF_RISE * survey.noise / survey.levels.amplitude
    if missed <= max(LEAST_TOLD, survey.record.step / survey.levels.amplitude, noise):
        return reading
    text = f"between two samples a peak may go {show_quantity(missed, '1')} further"
    finding = Finding(Doubt.FEW_SAMPLES, text, 0.0, missed, decides=False)
    return replace(reading, doubts=(*reading.doubts, finding.doubt), findings=(*reading.findings, finding))


def _resolved(reading: Reading, survey: Survey, taken: Transitions) -> Reading:
    """The reading, in doubt where the transitions are too fast for the sampling: it may be more, and never less."""
    size = float(np.mean(taken.ends - taken.starts))
    if size >= RESOLVED:
        return reading
    text = f"the transition takes {size:.1f} sample intervals of {show_quantity(survey.wave.interval, 's')}"
    finding = Finding(Doubt.FEW_SAMPLES, text, below=0.0)
    doubts = tuple(doubt for doubt in reading.doubts if doubt is not finding.doubt)
    findings = tuple(one for one in reading.findings if one.doubt is not finding.doubt)
    return replace(reading, doubts=(*doubts, finding.doubt), findings=(*findings, finding))


def _single(slope: Slope) -> Slope:
    if slope is Slope.EITHER:
        raise Misuse("`slope` is `either`", expected="rising or falling: aberrations differ between the two")
    return slope


def _checked(region: float) -> float:
    if region <= 0:
        raise Misuse(f"`region` is {region:g}", expected="more than 0 durations of the transition")
    return region


def _shares(survey: Survey, taken: Transitions, middle: Crossings) -> tuple[Floats, Floats]:
    """Where the share of each transition in the states before and after it begins and ends, in samples."""
    last = float(len(survey) - 1)
    neighbours = np.concatenate([[-np.inf], middle.either_places, [np.inf]])
    own = places_among(neighbours, taken.middles)
    before, after = (taken.middles + neighbours[own - 1]) / 2, (taken.middles + neighbours[own + 1]) / 2
    return np.maximum(before, 0.0), np.minimum(after, last)


def _reached(survey: Survey, begins: Floats, ends: Floats, level: float, *, is_high: bool) -> Floats:
    """First sample of each segment that has reached the state; the end of the segment where none has."""
    wave, codes = survey.wave, survey.record.codes
    places = survey.record.finite_places
    reached = np.array(ends) + 1
    for number, (begin, end) in enumerate(zip(places(begins), places(ends), strict=True)):
        segment = codes[int(begin) : int(end) + 1]
        beyond = segment >= level if is_high == (wave.gain > 0) else segment <= level
        if beyond.any():
            reached[number] = begins[number] + int(beyond.argmax())
    return reached


@dataclass(slots=True, eq=False)
class _Extremes:
    """Highest or lowest samples of segments.

    Parameters
    ----------
    peaks : codes of them, of the segments that have a sample; kept : which these are, of all.
    size : of a segment, on average, in samples.
    some : first sample, sample after the last, and peak of some of the segments, which stand for all.
    """

    peaks: Floats
    kept: npt.NDArray[np.bool_]
    size: float
    some: list[tuple[int, int, float]]
    _near: dict[float, float] = field(default_factory=dict)
    _missed: float | None = None

    def near(self, codes: Codes, reach: float) -> float:
        """About how many samples of a segment lie within reach of its extreme."""
        is_whole = codes.dtype.kind in "iu" and codes.dtype.itemsize < 8 and math.isfinite(reach)
        reach = math.floor(reach) if is_whole else reach  # whole numbers are that far apart
        if reach not in self._near:
            near = self._counted(codes, int(reach)) if is_whole else self._compared(codes, reach)
            self._near[reach] = median(near) if near.size else 0.0
        return self._near[reach]

    def missed(self, codes: Codes, *, upward: bool) -> float:
        """How far the waveform may lie beyond the extremes between two samples, in codes: the mean of some segments."""
        if self._missed is None:
            found = [
                missed_at(codes, begin + int((codes[begin:end] == peak).argmax()), upward=upward)
                for begin, end, peak in self.some
            ]
            self._missed = math.fsum(found) / len(found) if found else 0.0
        return self._missed

    def _counted(self, codes: Codes, reach: int) -> Floats:
        if not self.some:
            return np.empty(0)
        segments = [codes[begin:end] for begin, end, _ in self.some]
        sizes = [segment.size for segment in segments]
        away = np.concatenate(segments).astype(np.int64)
        away -= np.repeat(np.array([int(peak) for _, _, peak in self.some]), sizes)
        firsts = np.cumsum([0, *sizes[:-1]])
        return np.add.reduceat(np.abs(away) <= reach, firsts, dtype=np.float64)

    def _compared(self, codes: Codes, reach: float) -> Floats:
        near = [np.count_nonzero(np.abs(codes[begin:end] - peak) <= reach) for begin, end, peak in self.some]
        return np.array(near, dtype=np.float64)


def _extremes(survey: Survey, begins: Floats, ends: Floats, *, upward: bool) -> _Extremes:
    """Highest or lowest value of each segment from `begins` up to, and without, `ends`."""
    record = survey.record
    first, last = (record.finite_places(places).astype(np.int64) for places in (begins, ends))
    last = np.minimum(last, record.codes.size)
    kept = first < last
    if not kept.any():
        return _Extremes(np.empty(0), kept, 0.0, [])
    if kept.all():
        size = float(np.mean(ends - begins))
    else:
        size, first, last = float(np.mean((ends - begins)[kept])), first[kept], last[kept]
    extreme = np.maximum if upward == (survey.wave.gain > 0) else np.minimum
    marks = np.empty(2 * first.size, dtype=np.int64)
    marks[0::2], marks[1::2] = first, last
    peaks = extreme.reduceat(record.codes[: last[-1]], marks[:-1])[::2].astype(np.float64)
    some = slice(None, None, max(1, peaks.size // LOOKED_AT))
    chosen = zip(first[some].tolist(), last[some].tolist(), peaks[some].tolist(), strict=True)
    return _Extremes(peaks, kept, size, list(chosen))


def _reading(survey: Survey, found: _Extremes, taken: Transitions, *, upward: bool, state_is_high: bool) -> Reading:
    levels, wave = survey.levels, survey.wave
    state = levels.high if state_is_high else levels.low
    peaks = wave.offset + wave.gain * found.peaks
    beyond = np.maximum(peaks - state if upward else state - peaks, 0.0) / levels.amplitude
    if not beyond.size:
        raise NotMeasurable(
            f"`{survey.name}`: no sample on the state beside the transition",
            expected="at least one between the transition and the end of its share of the state",
            do="sample faster, or take a wider `region`",
        )
    # the extreme of n noisy samples lies beyond the true one by about √(2 ln n) of their deviation
    lifted = survey.noise * math.sqrt(2 * log(max(2.0, found.size))) / levels.amplitude
    is_lost = lifted > max(NOISY_PART * float(beyond.mean()), LEAST_TOLD)
    is_crest = float(beyond.mean()) * levels.amplitude > STATE_REACH * survey.noise
    near = found.near(survey.record.codes, NEAR * survey.noise / abs(wave.gain))
    raised = survey.noise * lift_of_largest(near * (ON_A_CREST if is_crest else ON_A_STATE)) / levels.amplitude
    missed = 0.0
    if is_crest:
        missed = abs(wave.gain) / levels.amplitude * found.missed(survey.record.codes, upward=upward == (wave.gain > 0))
    known = math.hypot(survey.record.step / 2 / levels.amplitude, math.sqrt(3) * math.hypot(raised, OF_LIFT * missed))
    noisy = (Doubt.NOISY,) if is_lost else noise_doubts(survey)
    reading = Reading.of_occurrences(
        beyond,
        times=wave.start + wave.interval * taken.middles[found.kept],
        unit="1",
        doubts=(*state_doubts(survey), *noisy),
        resolution=math.hypot(known, math.sqrt(3) * level_uncertainty(survey) / levels.amplitude),
        single=SCATTER_OF_LARGEST * survey.noise / levels.amplitude,
    )
    return _with_missed(reading, survey, missed)
