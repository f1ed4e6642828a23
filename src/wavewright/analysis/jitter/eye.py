"""Eye of a line of bits without return to zero: all bits laid over each other by the recovered clock.

Height and width are those of the opening that no sample and no edge of this record enters, which shrinks the longer one
looks, or with `three_sigma` what three standard deviations of noise and jitter leave on either side: common practice,
no source. A closed eye has a height or width below 0.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import LEVELS, Reads
from wavewright.analysis.jitter.clock_recovery import RecoveredClock, recover_clock
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.blocks import spans
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE, Sense
from wavewright.analysis.time.crossing_resolution import instant_resolution
from wavewright.analysis.time.edges import MIDDLE, noise_doubts
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

if TYPE_CHECKING:
    import numpy.typing as npt

FEW_BITS = 100
RANDOM_PHASE = 0.2  # of a bit, rms; edges anywhere in it have 0.29
SOURCE = "common practice, no source"
Opening = Literal["extremes", "three_sigma"]


@dataclass(frozen=True, slots=True, eq=False)
class EyeDiagram:
    """Exact counts of samples over two bits: from half a bit before a bit's beginning to half a bit after its end.

    Parameters
    ----------
    counts : shape (levels, times).
    time_borders : s from the beginning of the bit, shape (times + 1,).
    level_borders : in the waveform's unit, ascending, shape (levels + 1,).
    """

    counts: npt.NDArray[np.int64]
    time_borders: Floats
    level_borders: Floats
    clock: RecoveredClock


@dataclass(frozen=True, slots=True)
class _Bits:
    """Samples of one state in the middle of the bits: number, extremes, mean, standard deviation; in the unit."""

    size: int
    lowest: float
    highest: float
    mean: float
    deviation: float

    @classmethod
    def of(cls, values: Floats) -> _Bits:
        return cls(values.size, float(values.min()), float(values.max()), float(values.mean()), float(values.std()))


@metric("eye_height", reads=LEVELS, unit="", source=SOURCE, reads_levels=True)
def eye_height(
    survey: Survey,
    *,
    bit_rate: Annotated[float, "bit/s", POSITIVE] | None = None,
    aperture: Annotated[float, "1", Sense(above=0.0, most=1.0)] = 0.1,
    opening: Opening = "extremes",
    level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Eye height: distance between the lowest high sample and the highest low one in the middle of the bits.

    Drawing
    -------
      high  ──╮   ╭───────╮   ╭──
              ╲ ╱    ┬    ╲ ╱
               ╳     │ height ╳
              ╱ ╲    ┴    ╱ ╲
      low   ──╯   ╰───────╯   ╰──
                     middle of the bit

    Parameters
    ----------
    bit_rate : nominal, bit/s; None: that of the shortest pulses.
    aperture : part of a bit, about its middle, in which samples count.
    opening : `extremes`, or `three_sigma`: between the means, less three standard deviations of each state.
    level : that separates high from low.
    """
    clock = _clock(survey, bit_rate, level)
    low, high = _states(survey, clock, aperture, survey.level(level))
    if opening == "extremes":
        height, uncertainty = high.lowest - low.highest, None
    else:
        height = high.mean - 3 * high.deviation - (low.mean + 3 * low.deviation)
        # a mean scatters by 1/√n, a standard deviation by 1/√(2n) of the standard deviation
        each = [state.deviation * math.sqrt((1 + 9 / 2) / state.size) for state in (low, high)]
        uncertainty = math.hypot(*each)
    return Reading(
        height, survey.unit, uncertainty=uncertainty, doubts=_doubts(survey, clock), count=low.size + high.size
    )


@metric("eye_width", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def eye_width(
    survey: Survey,
    *,
    bit_rate: Annotated[float, "bit/s", POSITIVE] | None = None,
    opening: Opening = "extremes",
    level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Eye width: one bit less the jitter of the edges, peak to peak or, with `three_sigma`, six standard deviations.

    Drawing
    -------
      ──╮╮   ╭╭───────╮╮   ╭╭──
         ╲╲ ╱╱         ╲╲ ╱╱
          ╳╳├── width ──┤╳╳
         ╱╱ ╲╲         ╱╱ ╲╲
      ──╯╯   ╰╰───────╯╯   ╰╰──
         jitter

    Options as for `eye_height`.
    """
    clock = _clock(survey, bit_rate, level)
    jitter = clock.deviations
    lost = float(jitter.max() - jitter.min()) if opening == "extremes" else 6 * float(jitter.std(ddof=2))
    places = clock.instants / survey.wave.interval
    resolution = instant_resolution(survey, places) * math.sqrt(2 / 3)
    scatter = 0.0 if opening == "extremes" else lost / math.sqrt(2 * jitter.size)
    return Reading(
        clock.period - lost,
        "s",
        uncertainty=math.hypot(resolution, scatter, clock.period_uncertainty),
        doubts=_doubts(survey, clock),
        count=jitter.size,
    )


@metric(
    "bit_rate", reads=Reads.EDGES, unit="bit/s", source="math: least squares line through the edges", reads_levels=True
)
def bit_rate(
    survey: Survey, *, nominal: Annotated[float, "bit/s", POSITIVE] | None = None, level: ReferenceLevel = MIDDLE
) -> Reading:
    """Bit rate of an NRZ line, from all its edges; `nominal`, bit/s, if the shortest pulse is not one bit.

    Definition
    ----------
    1/T of the straight line t[k] = t0 + n[k]·T through the edges, n whole numbers of bits.
    """
    clock = _clock(survey, nominal, level)
    relative = clock.period_uncertainty / clock.period
    return Reading(1 / clock.period, "bit/s", uncertainty=relative / clock.period, doubts=_doubts(survey, clock))


def eye_diagram(
    survey: Survey,
    *,
    bit_rate: float | None = None,
    times: int = 256,
    levels: int = 128,
    level: ReferenceLevel = MIDDLE,
) -> EyeDiagram:
    """The eye as counts of samples by time and level.

    Parameters
    ----------
    bit_rate : nominal, bit/s; None: that of the shortest pulses.
    times, levels : number of columns over two bits, and of rows between the extremes of the record.

    Raises
    ------
    NotMeasurable : as `recover_clock`.
    """
    clock = _clock(survey, bit_rate, level)
    ends = sorted(survey.wave.value_of(code) for code in survey.extremes)
    borders = np.linspace(ends[0], ends[1], levels + 1)
    counts = np.zeros(levels * times, dtype=np.int64)
    for phases, values in _folded(survey, clock):
        rows = np.clip(((values - ends[0]) * (levels / (ends[1] - ends[0]))).astype(np.int64), 0, levels - 1)
        # a sample at phase p is drawn at p, and once more one bit to the side: −0.5 … 1.5
        for shifted in (phases, np.where(phases < 0.5, phases + 1, phases - 1)):
            columns = np.minimum(((shifted + 0.5) * (times / 2)).astype(np.int64), times - 1)
            counts += np.bincount(rows * times + columns, minlength=counts.size)
    time_borders = np.linspace(-0.5, 1.5, times + 1) * clock.period
    return EyeDiagram(counts.reshape(levels, times), time_borders, borders, clock)


def _clock(survey: Survey, bit_rate: float | None, level: ReferenceLevel) -> RecoveredClock:
    key = ("clock", bit_rate, survey.level(level))
    return survey.once(key, lambda: recover_clock(survey, bit_rate=bit_rate, level=level))


def _folded(survey: Survey, clock: RecoveredClock) -> Iterator[tuple[Floats, Floats]]:
    """Blocks of (phases in their bit, 0 … 1; values in the unit), without invalid samples."""
    wave = survey.wave
    step = wave.interval / clock.period
    begin = -clock.start / clock.period
    for first, last in spans(0, len(wave)):
        values = wave.values(first, last)
        places = begin + step * np.arange(first, last)
        phases = places - np.floor(places)
        is_valid = np.isfinite(values)
        yield phases[is_valid], values[is_valid]


def _states(survey: Survey, clock: RecoveredClock, aperture: float, level: float) -> tuple[_Bits, _Bits]:
    """Low and high samples in the middle of the bits."""
    low: list[Floats] = []
    high: list[Floats] = []
    for phases, values in _folded(survey, clock):
        central = values[np.abs(phases - 0.5) <= aperture / 2]
        low.append(central[central < level])
        high.append(central[central >= level])
    below, above = np.concatenate(low), np.concatenate(high)
    if not below.size or not above.size:
        raise NotMeasurable(
            f"`{survey.name}`: {below.size} low and {above.size} high samples in the middle of the bits",
            expected="some of both",
            do="raise `rate` above ten samples per bit, or widen `aperture`",
        )
    return _Bits.of(below), _Bits.of(above)


def _doubts(survey: Survey, clock: RecoveredClock) -> tuple[Doubt, ...]:
    found = dict.fromkeys(noise_doubts(survey))
    if clock.deviations.std() > RANDOM_PHASE * clock.period:
        found[Doubt.NOISY] = None
    if clock.numbers[-1] < FEW_BITS:
        found[Doubt.FEW_CYCLES] = None
    return tuple(found)
