"""Whether a record can hold, and tell apart, the bits and frames of a decoded line that a recipe judges."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from wavewright.analysis.front_end.edge_speed import joint_delay
from wavewright.analysis.front_end.input_noise import peaks_of_noise
from wavewright.buses.catalogue import BUSES
from wavewright.buses.i2c.limits import allowed, mode_of
from wavewright.buses.line.logic_levels import LogicLevels
from wavewright.errors import Misuse
from wavewright.instruments.setups import TimebaseSetup
from wavewright.quantities import Interval, show_quantity
from wavewright.recipe.decoded_line import Decoding
from wavewright.recipe.measurement import Measurement
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.limited_reading import ChannelInUse
from wavewright.running.fitness.rules import FitnessRule
from wavewright.running.line_findings import CLOCKS, SAMPLES_PER_BIT

FEWEST_SAMPLES = 2.0
SKEW_OF_A_BIT, MOST_SKEW = 0.1, 0.5
LEAST_OF_NOISE = 2.0  # both ways
# Of the shortest frame, in bits: start, address, acknowledge and stop; break, delimiter, synch, identifier, one data
# byte and checksum (LIN 2.x, ISO 17987-3 †); a data frame without data (ISO 11898-1 †)
SHORTEST_FRAMES: Mapping[str, float] = {"i2c": 11.0, "lin": 54.0, "can": 44.0}
SHORTEST_MESSAGES: Mapping[str, float] = {"modbus_rtu": 4.0}  # characters: address, function, CRC (V1.02, 2.5.1)


@dataclass(frozen=True, slots=True)
class LineInUse:
    """A decoded line as it will be recorded.

    Parameters
    ----------
    channels : by the name of the line of the bus; those that are derived are left out.
    timebase : of the record; None where the run finds it.
    bit : how long a bit takes, s; the shortest that is allowed where only that is known; None where neither is.
    is_exact : the recipe states the bit rate.
    begins_anywhere : the trigger does not wait for the line.
    """

    wanted: Decoding
    channels: Mapping[str, ChannelInUse]
    timebase: TimebaseSetup | None
    bit: float | None
    is_exact: bool
    begins_anywhere: bool

    @property
    def frame(self) -> float | None:
        """How long the shortest frame takes, s; None where that is not known."""
        if self.bit is None:
            return None
        bits = bits_of_frame(self.wanted.bus, self.wanted.options)
        return None if bits is None else bits * self.bit * float(SHORTEST_MESSAGES.get(self.wanted.then, 1.0))


def line_in_use(
    wanted: Decoding, measurement: Measurement, channels: Mapping[str, ChannelInUse], timebase: TimebaseSetup | None
) -> LineInUse:
    """What is known of a line before a record of it is there.

    Parameters
    ----------
    channels : of the measurement, by name.
    """
    named = {line: channels[name] for line, name in wanted.channels.items() if name in channels}
    bit, is_exact = _bit(wanted, measurement)
    is_watched = measurement.trigger.mode == "normal" and measurement.trigger_channel in wanted.channels.values()
    return LineInUse(wanted, named, timebase, bit, is_exact, not is_watched)


def bits_of_frame(bus: str, options: Mapping[str, Any]) -> float | None:
    """How many bits the shortest frame of a bus has; None where that is not known."""
    if bus == "uart":
        told = {parameter.name: parameter.default for parameter in BUSES.find(bus).parameters} | _own(bus, options)
        parity = 0.0 if told["parity"] == "none" else 1.0
        return 1.0 + float(told["data_bits"]) + parity + float(told["stop_bits"])
    return SHORTEST_FRAMES.get(bus)


def frames_fitness(line: LineInUse, *, frames: float = 1.0) -> Iterator[FitnessFinding]:
    """What bears on everything that is decoded from a line.

    Parameters
    ----------
    frames : that the record must hold.
    """
    yield from _bit_samples(line)
    yield from _frame_length(line, frames)
    yield from _logic_levels(line)
    yield from _clock_skew(line)


def _bit_samples(line: LineInUse) -> Iterator[FitnessFinding]:
    if line.timebase is None or line.bit is None:
        return
    samples = line.bit / line.timebase.interval
    if samples < SAMPLES_PER_BIT:
        shown = (show_quantity(line.bit, "s"), show_quantity(line.timebase.interval, "s"))
        kind = "a bit" if line.is_exact else "the shortest bit that is allowed"
        what = f"{kind}, {shown[0]}, is {samples:.2g} samples of {shown[1]}"
        yield FitnessFinding(FitnessRule.BIT_SAMPLES, what, samples, "samples", cannot_decide=line.is_exact)


def _frame_length(line: LineInUse, frames: float) -> Iterator[FitnessFinding]:
    if line.timebase is None or line.frame is None or not (line.is_exact or frames > 1):
        return
    held = line.timebase.span / line.frame
    needed = frames + 1 if line.begins_anywhere else frames
    if held < needed:
        shown = [show_quantity(one, "s") for one in (line.timebase.span, line.frame)]
        word = "message" if line.wanted.then in SHORTEST_MESSAGES else "frame"
        what = f"{shown[0]} holds {held:.2g} of the shortest {word}s of {shown[1]}, and the limit asks for {frames:g}"
        what += ", with a record that may begin inside of one" if line.begins_anywhere and held >= frames else ""
        is_lost = line.is_exact and held < frames
        yield FitnessFinding(FitnessRule.FRAME_LENGTH, what, held, "frames", cannot_decide=is_lost)


def _logic_levels(line: LineInUse) -> Iterator[FitnessFinding]:
    for name, levels, seen, noise in _thresholds(line):
        outside = [end for end in (levels.low, levels.high) if not seen.low < end < seen.high]
        if outside:
            shown = [show_quantity(one, "V", resolution=(seen.high - seen.low) / 100) for one in (seen.low, seen.high)]
            what = f"the threshold of `{name}` at {show_quantity(outside[0], 'V')} is outside of what the range shows, "
            what += " to ".join(shown)
            yield FitnessFinding(FitnessRule.LOGIC_LEVELS, what, outside[0], "V", cannot_decide=True)
        elif line.timebase is not None and noise is not None:
            swing, gap = LEAST_OF_NOISE * peaks_of_noise(noise, line.timebase.points), levels.high - levels.low
            if swing > gap:
                what = (
                    f"by its profile the input may make noise of {show_quantity(swing, 'V')} peak to peak, and the "
                    f"thresholds of `{name}` are {show_quantity(gap, 'V')} apart"
                )
                yield FitnessFinding(FitnessRule.LOGIC_LEVELS, what, swing, "V")


def _thresholds(line: LineInUse) -> Iterator[tuple[str, LogicLevels, Interval, float | None]]:
    """Of each line whose thresholds are stated: its name, them, what its range shows, and its noise, V rms."""
    bus, written = BUSES.find(line.wanted.bus), line.wanted.options.get("levels")
    pair = bus.differential
    if pair is not None and set(pair) <= set(line.channels):
        high, low = (line.channels[name] for name in pair)
        levels = LogicLevels.read(bus.levels if written is None else written)
        if high.seen is not None and low.seen is not None and not levels.is_auto:
            seen = Interval(high.seen.low - low.seen.high, high.seen.high - low.seen.low, "V")
            rms = [_noise(one) for one in (high, low)]
            known = [one for one in rms if one is not None]
            yield " less ".join(pair), levels, seen, math.hypot(*known) if len(known) == len(rms) else None
        return
    for name, channel in line.channels.items():
        own = written.get(name) if isinstance(written, Mapping) else written
        levels = LogicLevels.read("auto" if own is None else own)
        if channel.seen is not None and not levels.is_auto:
            yield name, levels, channel.seen, _noise(channel)


def _noise(channel: ChannelInUse) -> float | None:
    stated = channel.path.profile.grammar.accuracy.noise
    return (
        None
        if stated is None or channel.range is None
        else stated[0] * channel.range + stated[1] * (channel.path.attenuation)
    )


def _clock_skew(line: LineInUse) -> Iterator[FitnessFinding]:
    clock = next((line.channels[name] for name in CLOCKS if name in line.channels), None)
    if clock is None or line.bit is None:
        return
    for name, data in line.channels.items():
        if data is clock or data.path.channel.input == clock.path.channel.input:
            continue
        stated = data.path.profile.grammar.accuracy.skew or 0.0
        apart = abs(joint_delay(data.path.bandwidths.values()) - joint_delay(clock.path.bandwidths.values()))
        skew = stated + apart
        if skew > SKEW_OF_A_BIT * line.bit:
            what = (
                f"`{name}` and the clock may differ by {show_quantity(skew, 's')} of a bit of "
                f"{show_quantity(line.bit, 's')}"
            )
            is_all = line.is_exact and skew > MOST_SKEW * line.bit
            yield FitnessFinding(FitnessRule.CLOCK_SKEW, what, skew, "s", cannot_decide=is_all)


def _bit(wanted: Decoding, measurement: Measurement) -> tuple[float | None, bool]:
    """How long a bit takes, s, and whether the recipe says exactly that."""
    options, read = wanted.options, _own(wanted.bus, wanted.options)
    rates = [read.get(name) for name in ("baud", "bit_rate", "data_bit_rate")]
    stated = [float(one) for one in rates if isinstance(one, int | float) and one > 0]
    if stated:
        return 1 / max(stated), True
    for limited in measurement.compute.values():
        if limited.on_frames and limited.of[0] == wanted.name and limited.limit is not None:
            high = limited.limit.interval.high
            if limited.metric in ("bit_rate", "clock_frequency") and 0 < high < math.inf:
                return 1 / high, False
    if wanted.bus == "i2c":
        try:
            return 1 / allowed("clock_frequency", mode_of(wanted.then, options)).high, False
        except Misuse:
            return None, False
    return None, False


def _own(bus: str, options: Mapping[str, Any]) -> dict[str, Any]:
    """The options of a bus itself, read; those of a layer on it, and the levels, are left out."""
    entry = BUSES.find(bus)
    names = {parameter.name for parameter in entry.parameters}
    try:
        return entry.options({name: value for name, value in options.items() if name in names})
    except Misuse:  # it was tried when the recipe was read; a bus of another package may have changed since
        return {}
