"""Whether range, converter, coupling and probe can decide a limit in volts."""

from __future__ import annotations

import math
from collections.abc import Iterator

from wavewright.analysis.doubts import EXTREMES, LEVELS, Reads
from wavewright.analysis.fitting.first_order import pulse_droop
from wavewright.analysis.front_end.input_noise import SHARE_OF_SWING, peaks_of_noise
from wavewright.analysis.front_end.limit_in_range import FEWEST_CODES, MEANS, codes_across
from wavewright.analysis.front_end.loading import NOTICEABLE, described, loaded_share
from wavewright.quantities import Interval, show_quantity
from wavewright.recipe.acquisition import Coupling
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.limited_reading import ChannelInUse, LimitedReading
from wavewright.running.fitness.rules import FitnessRule

WITH_DC = ("rms", "cycle_rms", "rectified_mean")
NOTICEABLE_DROOP = 0.01  # of the peak to peak
OF_SIZE = frozenset({*EXTREMES, *LEVELS, Reads.SAMPLES})  # what changes with the voltage


def reach(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """A limit that no value within the range fails, or that none passes, or of which an end is outside."""
    channel = reading.channel
    shown = None if channel is None or not reading.is_of_volts else attainable(reading, channel)
    if shown is None:
        return
    inside = Interval(max(shown.low, reading.limit.low), min(shown.high, reading.limit.high), "V")
    if inside.low > inside.high:
        what = f"the range shows `{reading.metric}` from {_span(shown)}, and none of that is within the limit"
        yield FitnessFinding(FitnessRule.REACH, what, 0.0, cannot_decide=True)
    elif (inside.low, inside.high) == (shown.low, shown.high):
        what = f"the range shows `{reading.metric}` from {_span(shown)}, and all of that is within the limit"
        yield FitnessFinding(FitnessRule.REACH, what, 1.0, cannot_decide=True)
    else:
        for end in reading.ends:
            if end not in shown and reading.is_two_sided:
                what = f"{show_quantity(end, 'V')} is outside of what the range shows, {_span(shown)}"
                yield FitnessFinding(FitnessRule.REACH, what, end, "V")


def attainable(reading: LimitedReading, channel: ChannelInUse) -> Interval | None:
    """The values that a metric can have within the range; None where that is not known."""
    seen = channel.seen
    if seen is None:
        return None
    if reading.is_difference:
        return Interval(0.0, seen.high - seen.low, "V")
    if reading.metric == "rms":
        return Interval(0.0, max(abs(seen.low), abs(seen.high)), "V")
    if reading.metric == "ac_rms":
        return Interval(0.0, (seen.high - seen.low) / 2, "V")
    return seen if reading.is_of_levels or reading.metric in MEANS else None


def codes(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """A limit that the converter does not resolve."""
    channel = reading.channel
    if channel is None or channel.step is None or not reading.is_of_volts or not reading.is_of_levels:
        return
    if not (reading.is_two_sided or reading.is_difference):
        return
    across = codes_across(reading.limit, channel.step)
    if 0 < across < FEWEST_CODES:
        what = f"the limit is {across:.2g} codes of {show_quantity(channel.step, 'V')} wide"
        yield FitnessFinding(FitnessRule.CODES, what, across, "codes", cannot_decide=across < 1)


def input_noise(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """A peak-to-peak limit that the noise of the input comes near by itself."""
    channel, timebase, noise = reading.channel, reading.timebase, reading.profile.grammar.accuracy.noise
    if channel is None or timebase is None or noise is None or channel.range is None or not reading.is_of_volts:
        return
    if reading.parts != EXTREMES or not math.isfinite(reading.limit.high):
        return
    rms = noise[0] * channel.range + noise[1] * channel.path.attenuation
    swing, most = 2 * peaks_of_noise(rms, timebase.points), reading.limit.high
    if swing > SHARE_OF_SWING * most > 0:
        shown = [show_quantity(one, "V") for one in (swing, most)]
        what = f"by its profile the input may make noise of {shown[0]} peak to peak, and the limit ends at {shown[1]}"
        yield FitnessFinding(FitnessRule.INPUT_NOISE, what, swing, "V", cannot_decide=swing >= most)


def coupling(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """An rms value through ac coupling: that of the rest of the signal."""
    channel = reading.channel
    if channel is None or channel.path.channel.coupling is not Coupling.AC or reading.metric not in WITH_DC:
        return
    what = f"`{reading.metric}` through ac coupling is that of the signal without its DC component"
    yield FitnessFinding(FitnessRule.COUPLING, what, 0.0, "Hz")


def droop(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """A voltage that ac coupling changes, for the slowest signal that the recipe states."""
    channel = reading.channel
    if channel is None or channel.path.channel.coupling is not Coupling.AC or not reading.is_of_volts:
        return
    if not reading.parts & OF_SIZE:
        return
    corner = channel.path.ac_corner
    if corner is None:
        what = f"the corner of the ac coupling of `{reading.profile.name}` is not stated (`abilities: ac_corner:`)"
        yield FitnessFinding(FitnessRule.NOT_STATED, what, None, "Hz")
    elif reading.frequencies and (lost := pulse_droop(0.5 / reading.frequencies[0], corner)) > NOTICEABLE_DROOP:
        what = (
            f"a square wave of {show_quantity(reading.frequencies[0], 'Hz')} drops by {100 * lost:.2g} % through an ac "
            f"coupling of {show_quantity(corner, 'Hz')}"
        )
        yield FitnessFinding(FitnessRule.DROOP, what, lost, cannot_decide=_is_all(lost, reading))


def loading(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """A voltage that the probe lowers."""
    channel = reading.channel
    if channel is None or not reading.is_of_volts or not reading.parts & OF_SIZE:
        return
    source, tip = channel.path.source, channel.path.touching
    if source is None:
        return
    if tip is None:
        number, attenuation = channel.path.channel.input, channel.path.attenuation
        what = f"what the probe of input {number} is at {attenuation:g}x is not stated (`at_1x:`)"
        yield FitnessFinding(FitnessRule.NOT_STATED, what, channel.path.attenuation, "x")
        return
    frequency = reading.frequencies[-1] if reading.frequencies else None
    share = loaded_share(tip, source, frequency)
    if share > NOTICEABLE:
        at = "" if frequency is None else f" at {show_quantity(frequency, 'Hz')}"
        what = f"{described(tip, source)} takes {100 * share:.2g} % of the voltage{at}"
        yield FitnessFinding(FitnessRule.LOADING, what, share, cannot_decide=_is_all(share, reading))


def _is_all(share: float, reading: LimitedReading) -> bool:
    """Whether an error of this share of the value is as large as half of a limit with two ends."""
    return reading.is_two_sided and share * abs(reading.largest) > reading.tolerance


def _span(shown: Interval) -> str:
    step = (shown.high - shown.low) / 100
    return " to ".join(show_quantity(end, "V", resolution=step) for end in (shown.low, shown.high))
