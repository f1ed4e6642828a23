"""Electrical power from a voltage and a current channel, in this order.

Averages are over whole periods of the voltage, or of the current where only that has any, by the trapezoidal rule
between interpolated edges; over the whole record where `over: record` says so, or where both are steady but for noise.
Reactive power is that of the fundamental, as IEEE 1459 names it †; apparent power and power
factor count everything.

Uncertainties are those of means over at most 16 groups of whole periods, from their scatter (JCGM 100:2008, 4.2.3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Literal

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.angles import sine_of
from wavewright.analysis.elementary.sums import inner
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.alignment import aligned
from wavewright.analysis.record.blocks import DOT_BLOCK, spans
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import ANY, POSITIVE
from wavewright.analysis.spectrum.phase import common_sines, sine_doubts
from wavewright.analysis.time.edges import MIDDLE, period_doubts
from wavewright.analysis.time.periods import cycle_places
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats, Waveform

MOST_GROUPS = 16
SOURCE = "IEEE 1459 †; math: integrals over whole periods"
Over = Literal["cycles", "record"]


@dataclass(frozen=True, slots=True, eq=False)
class PowerSums:
    """Mean power, W, and mean squares of voltage, V², and current, A², over `duration`, s; `cycles` 0: the record.

    `groups` has the same three for groups of whole periods, shape (n, 3).
    """

    power: float
    voltage_square: float
    current_square: float
    duration: float
    cycles: int
    doubts: tuple[Doubt, ...]
    groups: Floats

    @property
    def apparent(self) -> float:
        """Product of the rms values, VA."""
        return math.sqrt(self.voltage_square * self.current_square)

    @property
    def each_apparent(self) -> Floats:
        """Apparent power of each group of periods, VA."""
        return np.sqrt(self.groups[:, 1] * self.groups[:, 2])


@metric("real_power", reads=Reads.SAMPLES, unit="W", source=SOURCE, channels=2)
def real_power(voltage: Survey, current: Survey, *, over: Over = "cycles") -> Reading:
    """Real power: mean of voltage times current.

    Definition
    ----------
    P = ∫ v·i dt / T.

    Parameters
    ----------
    over : `cycles`, whole periods; `record`, all of it.
    """
    sums = power_sums(voltage, current, over=over)
    return Reading(sums.power, "W", uncertainty=_of_mean(sums.groups[:, 0]), doubts=sums.doubts)


@metric("apparent_power", reads=Reads.SAMPLES, unit="VA", source=SOURCE, channels=2)
def apparent_power(voltage: Survey, current: Survey, *, over: Over = "cycles") -> Reading:
    """Apparent power: rms voltage times rms current, DC component and harmonics included; `over` as for `real_power`.

    Definition
    ----------
    S = √(∫ v² dt / T) · √(∫ i² dt / T).
    """
    sums = power_sums(voltage, current, over=over)
    return Reading(sums.apparent, "VA", uncertainty=_of_mean(sums.each_apparent), doubts=sums.doubts)


@metric("power_factor", reads=Reads.SAMPLES, unit="1", source=SOURCE, channels=2)
def power_factor(voltage: Survey, current: Survey, *, over: Over = "cycles") -> Reading:
    """Power factor: real over apparent power, negative where power flows back; `over` as for `real_power`.

    Definition
    ----------
    P / S.
    """
    sums = power_sums(voltage, current, over=over)
    if sums.apparent == 0:
        raise NotMeasurable(
            f"`{voltage.name}`, `{current.name}`: no apparent power", expected="a voltage and a current that flows"
        )
    factor = max(-1.0, min(1.0, sums.power / sums.apparent))
    flows = sums.each_apparent > 0
    each = sums.groups[flows, 0] / sums.each_apparent[flows]
    return Reading(factor, "1", uncertainty=_of_mean(each), doubts=sums.doubts)


@metric("reactive_power", reads=(Reads.SAMPLES, Reads.SPECTRUM), unit="var", source=SOURCE, channels=2)
def reactive_power(
    voltage: Survey, current: Survey, *, frequency: Annotated[float, "Hz", POSITIVE] | None = None
) -> Reading:
    """Reactive power of the fundamental: positive where the current lags, as in a coil.

    Definition
    ----------
    V1 · I1 / 2 · sin(φv − φi), V1 and I1 amplitudes of the fundamental.

    Parameters
    ----------
    frequency : of the fundamental, Hz; None: that of the sine that fits the voltage best.
    """
    _require_units(voltage, current)
    fits = common_sines(voltage, current, frequency=frequency)
    lag = fits[0].phase - fits[1].phase
    apparent = fits[0].amplitude * fits[1].amplitude / 2
    relative = math.hypot(*(fit.amplitude_uncertainty / fit.amplitude for fit in fits))
    # amplitude and phase of a fit are equally uncertain, in parts and in radians
    return Reading(apparent * sine_of(lag), "var", uncertainty=apparent * relative, doubts=sine_doubts(fits))


@metric(
    "energy",
    reads=Reads.SAMPLES,
    unit="J",
    source="math: integral of voltage times current by the trapezoidal rule",
    channels=2,
)
def energy(
    voltage: Survey,
    current: Survey,
    *,
    after: Annotated[float, "s", ANY] | None = None,
    until: Annotated[float, "s", ANY] | None = None,
) -> Reading:
    """Energy: integral of voltage times current over the record, or over a part of it.

    Definition
    ----------
    ∫ v·i dt.

    Parameters
    ----------
    after, until : the part of the record, s on the time axis; ends between two samples are interpolated.
    """
    volts, amps = _both(voltage, current)
    begin = 0.0 if after is None else max(0.0, (after - volts.start) / volts.interval)
    end = float(len(volts) - 1) if until is None else min(len(volts) - 1.0, (until - volts.start) / volts.interval)
    if not begin < end:
        raise NotMeasurable(
            f"`{voltage.name}`, `{current.name}`: no part of the record{_between(after, until)}",
            expected=f"times within {volts.start:g} s to {volts.time_of(len(volts) - 1):g} s",
        )
    products, _, _ = _integrals(volts, amps, begin, end)
    return Reading(products * volts.interval, "J")


def _between(after: float | None, until: float | None) -> str:
    """The part that was asked for, in words."""
    ends = [f" {word} {end:g} s" for word, end in (("after", after), ("until", until)) if end is not None]
    return " and".join(ends)


def power_sums(voltage: Survey, current: Survey, *, over: Over = "cycles") -> PowerSums:
    """Everything that the power metrics are made of, in one pass.

    Raises
    ------
    NotMeasurable : a channel that is not in V or A, records that do not lie beside each other, no whole period.
    """
    return voltage.once(("power", current, over), lambda: _power_sums(voltage, current, over))


def _power_sums(voltage: Survey, current: Survey, over: Over) -> PowerSums:
    volts, amps = _both(voltage, current)
    bounds, cycles = np.array([0.0, len(volts) - 1.0]), 0
    doubts: tuple[Doubt, ...] = ()
    if over == "cycles":
        places = _cycle_places(voltage, current, volts)
        if places.size:
            cycles = places.size - 1
            bounds = places[np.linspace(0, cycles, min(cycles, MOST_GROUPS) + 1).round().astype(np.int64)]
            doubts = period_doubts(current if _is_steady(voltage) else voltage, np.diff(places))
    parts = np.array([_integrals(volts, amps, *ends) for ends in pairwise(bounds.tolist())])
    span = float(bounds[-1] - bounds[0])
    # not the sum of the parts: an end within an edge is a little off, and two are less so than many
    power, voltage_square, current_square = (
        total / span for total in _integrals(volts, amps, float(bounds[0]), float(bounds[-1]))
    )
    return PowerSums(
        power=power,
        voltage_square=voltage_square,
        current_square=current_square,
        duration=span * volts.interval,
        cycles=cycles,
        doubts=doubts,
        groups=parts / np.diff(bounds)[:, np.newaxis],
    )


def _of_mean(groups: Floats) -> float | None:
    """Standard uncertainty of the mean of equal groups, from their scatter; None where there are fewer than two."""
    return float(groups.std(ddof=1)) / math.sqrt(groups.size) if groups.size > 1 else None


def _cycle_places(voltage: Survey, current: Survey, volts: Waveform) -> Floats:
    """Places of the edges that bound whole periods, in samples of `volts`; none where both channels are steady."""
    steady = True
    for survey in (voltage, current):
        if _is_steady(survey):
            continue
        steady = False
        found = survey.crossings(survey.level(MIDDLE))
        edges = cycle_places(found)
        places = (survey.wave.start - volts.start) / volts.interval + edges
        places = places[(places >= 0) & (places <= len(volts) - 1)]
        if places.size >= 2:
            return places
    if steady:
        return np.empty(0)
    raise NotMeasurable(
        f"`{voltage.name}`, `{current.name}`: no whole period",
        expected="two edges of the same slope in the voltage or the current",
        do="lengthen `span`, or use `over: record`",
    )


def _is_steady(survey: Survey) -> bool:
    """Whether what varies in a channel is noise: crossings of its middle would bound no periods."""
    lowest, highest = survey.extremes
    return lowest == highest or 6 * survey.record.noise > survey.levels.amplitude


def _both(voltage: Survey, current: Survey) -> tuple[Waveform, Waveform]:
    _require_units(voltage, current)
    return aligned(voltage, current, may_be_constant=True)


def _require_units(voltage: Survey, current: Survey) -> None:
    for survey, unit in ((voltage, "V"), (current, "A")):
        if survey.unit != unit:
            raise NotMeasurable(
                f"`{survey.name}` is in {survey.unit}",
                expected="a voltage in V and a current in A, in this order",
                do="derive the current, such as `shunt / 0.1 ohm`, and check the order of the channels",
            )


def _integrals(volts: Waveform, amps: Waveform, begin: float, end: float) -> tuple[float, float, float]:
    """Integrals of v·i, v² and i² from place to place, in units of the interval, by the trapezoidal rule."""
    first, last = math.ceil(begin), math.floor(end)
    sums = np.zeros(3)
    for start, stop in spans(first, last + 1, DOT_BLOCK):
        v, i = (wave.values(start, stop) for wave in (volts, amps))
        sums += (inner(v, i), inner(v, v), inner(i, i))
    for place, sample in ((begin, first), (end, last)):
        inside = _terms(volts, amps, float(sample))
        sums -= inside / 2
        sums += abs(place - sample) * (inside + _terms(volts, amps, place)) / 2
    return float(sums[0]), float(sums[1]), float(sums[2])


def _terms(volts: Waveform, amps: Waveform, place: float) -> Floats:
    """v·i, v², i² at a place between two samples, on the straight lines between them."""
    before = min(int(place), len(volts) - 2)
    v, i = (float(np.interp(place - before, [0.0, 1.0], wave.values(before, before + 2))) for wave in (volts, amps))
    return np.array([v * i, v * v, i * i])
