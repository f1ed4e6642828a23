"""Whether rate, record length and bandwidth can decide a limit on an edge, a time or a frequency."""

from __future__ import annotations

import math
from collections.abc import Iterator

from wavewright.analysis.doubts import Reads
from wavewright.analysis.front_end.edge_speed import DURATIONS, TIMES_FASTER, joint_rise_time, share_between
from wavewright.analysis.front_end.probe_loading import expected_loading
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.quantities import show_quantity
from wavewright.running.alias_check import OVERSAMPLING
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.limited_reading import OF_FREQUENCY, ChannelInUse, LimitedReading
from wavewright.running.fitness.rules import FitnessRule

SAMPLES_ON_EDGE = 5.0
LEAST_ON_EDGE = 2.0
FEWEST_PERIODS = 10.0
SAMPLES_PER_PERIOD = 4.0
PULSES = ("shortest_pulse", "positive_pulse_width", "negative_pulse_width")
WIDTH = ("glitches",)  # counted by their width, which is an option
IN_RECORD = (*DURATIONS, *PULSES, "longest_pulse", "period", "time_between", "burst_width", "settling_time")
OF_PERIODS = (*OF_FREQUENCY, "period", "duty_factor", "period_jitter")


def edge_samples(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """An edge, pulse or glitch that takes no more than a few samples at its limit."""
    if reading.timebase is None:
        return
    if reading.metric in WIDTH:
        shortest, subject = reading.options.get("width"), "a glitch of"
    elif reading.metric in (*DURATIONS, *PULSES):
        shortest, subject = reading.limit.low if reading.is_two_sided else reading.ends[0], "at its limit it takes"
    else:
        return
    if not isinstance(shortest, int | float) or not 0 < shortest < math.inf:
        return
    samples = shortest / reading.timebase.interval
    if samples < SAMPLES_ON_EDGE:
        what = (
            f"{subject} {show_quantity(shortest, 's')}, which is {samples:.2g} samples of "
            f"{show_quantity(reading.timebase.interval, 's')}"
        )
        yield FitnessFinding(FitnessRule.EDGE_SAMPLES, what, samples, "samples", cannot_decide=samples < LEAST_ON_EDGE)


def setup_speed(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """An edge that probe, input and band limit are not well faster than."""
    channel = reading.channel
    if channel is None or reading.metric not in DURATIONS:
        return
    widths = channel.path.bandwidths
    lacking = [name for name in ("probe", "input") if name not in widths]
    if lacking:
        what = f"the bandwidth of the {' and the '.join(lacking)} is not stated"
        yield FitnessFinding(FitnessRule.NOT_STATED, what, None, "Hz")
    own = math.hypot(joint_rise_time(widths.values()), _loading_edge(channel)) * _share(reading)
    limit = reading.limit.low if reading.is_two_sided and reading.limit.low > 0 else reading.ends[-1]
    if not 0 < limit < TIMES_FASTER * own:
        return
    made_of = ", ".join(f"{name} {show_quantity(width, 'Hz')}" for name, width in widths.items())
    what = (
        f"the set-up alone takes {show_quantity(own, 's')} ({made_of}), and the limit is at {show_quantity(limit, 's')}"
    )
    is_all = reading.limit.high <= own or (not reading.is_two_sided and limit <= own)
    yield FitnessFinding(FitnessRule.SETUP_SPEED, what, own, "s", cannot_decide=is_all)


def record_length(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """A record that holds few periods of what is measured, or less than the time that a limit allows."""
    if reading.timebase is None:
        return
    span = reading.timebase.span
    if reading.metric in OF_PERIODS and reading.frequencies:
        periods = span * reading.frequencies[0]
        if periods < FEWEST_PERIODS:
            what = (
                f"{show_quantity(span, 's')} holds {periods:.2g} periods of "
                f"{show_quantity(reading.frequencies[0], 'Hz')}"
            )
            yield FitnessFinding(
                FitnessRule.RECORD_LENGTH, what, periods, "periods", cannot_decide=span * _allowed(reading)[1] < 1
            )
    longest = reading.ends[-1]
    if reading.metric in IN_RECORD and reading.limit.unit == "s" and longest > span:
        what = f"the limit allows {show_quantity(longest, 's')}, and the record holds {show_quantity(span, 's')}"
        yield FitnessFinding(FitnessRule.RECORD_LENGTH, what, span, "s", cannot_decide=reading.ends[0] > span)


def sampling(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """A frequency that is sampled too slowly to be seen, or only just."""
    frequency = _highest(reading)
    if reading.timebase is None or frequency is None:
        return
    samples = 1 / (frequency * reading.timebase.interval)
    if samples < SAMPLES_PER_PERIOD:
        rate = show_quantity(1 / reading.timebase.interval, "Hz")
        what = f"{show_quantity(frequency, 'Hz')} at a rate of {rate} has {samples:.2g} samples per period"
        yield FitnessFinding(
            FitnessRule.SAMPLING,
            what,
            samples,
            "samples",
            cannot_decide=_is_beyond_half(reading, reading.timebase.interval),
        )


def alias(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """Frequencies beyond half the rate that would be read as one within the limit, and that no look can tell."""
    frequency, channel = _highest(reading), reading.channel
    if reading.timebase is None or frequency is None or channel is None:
        return
    rate = 1 / reading.timebase.interval
    width = min(channel.path.bandwidths.values(), default=math.inf)
    mirrored = rate - frequency
    if frequency >= rate / 2 or mirrored > width:
        return
    fastest = reading.profile.grammar.abilities.rate or OVERSAMPLING * width
    if not reading.is_stimulated and fastest / 2 >= width:
        return  # the run looks there, and tells
    what = (
        f"at a rate of {show_quantity(rate, 'Hz')} a signal of {show_quantity(mirrored, 'Hz')} reads as "
        f"{show_quantity(frequency, 'Hz')}, and a bandwidth of {_width(width)} lets it pass"
    )
    yield FitnessFinding(FitnessRule.ALIAS, what, mirrored, "Hz")


def _highest(reading: LimitedReading) -> float | None:
    """The highest frequency, Hz, that a limit on a frequency, a period or a tone allows."""
    if reading.metric in OF_FREQUENCY:
        return reading.ends[-1] if reading.ends[-1] > 0 else None
    if reading.metric == "period":
        return 1 / reading.ends[0] if reading.ends[0] > 0 else None
    if Reads.SPECTRUM in reading.parts and reading.frequencies:
        return reading.frequencies[-1]
    return None


def _allowed(reading: LimitedReading) -> tuple[float, float]:
    """The lowest and the highest frequency, Hz, that a limit allows; without such a limit, those that are stated."""
    low, high = reading.limit.low, reading.limit.high
    if reading.metric in OF_FREQUENCY:
        return max(low, 0.0), high
    if reading.metric == "period":
        return 1 / high if high > 0 else 0.0, 1 / low if low > 0 else math.inf
    return reading.frequencies[0], reading.frequencies[-1]


def _is_beyond_half(reading: LimitedReading, interval: float) -> bool:
    """Whether every frequency that a limit allows is at or above half the rate."""
    return _allowed(reading)[0] * interval >= 0.5


def _share(reading: LimitedReading) -> float:
    """How long one pole takes between the levels that the recipe states as ratios, over the time from 10 to 90 %."""
    low, high = reading.options.get("low"), reading.options.get("high")
    if not (isinstance(low, ReferenceLevel) and isinstance(high, ReferenceLevel) and low.is_ratio and high.is_ratio):
        return 1.0
    return share_between(low.number, high.number, is_falling=reading.metric == "fall_time")


def _loading_edge(channel: ChannelInUse) -> float:
    source, tip = channel.path.source, channel.path.touching
    return 0.0 if source is None or tip is None else expected_loading(tip, source).rise_time


def _width(width: float) -> str:
    return show_quantity(width, "Hz") if math.isfinite(width) else "unknown size"
