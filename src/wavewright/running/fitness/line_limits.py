"""Limits on what is read from decoded lines: times between edges, edges themselves, levels, counts of frames."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from wavewright.analysis.doubts import Reads
from wavewright.analysis.front_end.edge_speed import TIMES_FASTER, joint_rise_time, share_between
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.buses.frame_metrics import LineMetric, find_frame_metric
from wavewright.errors import Misuse
from wavewright.instruments.profile import Profile
from wavewright.quantities import show_quantity
from wavewright.recipe.computation import Computation
from wavewright.recipe.measurement import Measurement
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.limited_reading import LimitedReading
from wavewright.running.fitness.lines import LineInUse
from wavewright.running.fitness.rules import FitnessRule
from wavewright.running.fitness.times import SAMPLES_ON_EDGE

EDGE_LEVELS = {"low": ReferenceLevel(0.3, True), "high": ReferenceLevel(0.7, True)}  # of I2C: UM10204 Rev. 6, table 9
LOW, HIGH = 0.3, 0.7
OF_TWO = ("response_time", "longest_response_time", "frame_gap", "shortest_frame_gap")  # which lie between two frames


def limits_on(measurement: Measurement, line: str) -> Iterator[Computation]:
    """The entries of `compute:` over a line that have a limit which something can break."""
    for wanted in measurement.compute.values():
        if wanted.limit is None or not wanted.on_frames or wanted.of[0] != line:
            continue
        if any(map(math.isfinite, (wanted.limit.interval.low, wanted.limit.interval.high))):
            yield wanted


def frames_wanted(wanted: Computation) -> float:
    """How many frames a record must hold for a limit to be fulfilled, or to be read at all."""
    low = wanted.limit.interval.low if wanted.limit is not None else 0.0
    if wanted.metric == "frames":
        return max(low, 1.0) if math.isfinite(low) else 1.0
    return 2.0 if wanted.metric in OF_TWO else 1.0


def line_readings(
    wanted: Computation, line: LineInUse, measurement: Measurement, profile: Profile
) -> Iterator[LimitedReading]:
    """A limited reading over the lines of a bus as it is made: of each line where its edges or levels are read, else
    of all lines that its metric looks at together.
    """
    assert wanted.limit is not None
    metric = find_frame_metric(wanted.metric, bus=line.wanted.bus)
    is_of_lines = isinstance(metric, LineMetric)
    names: tuple[str, ...] = ()
    if isinstance(metric, LineMetric):
        names = metric.lines(tuple(line.wanted.channels), _options(metric, wanted))
    channels = tuple(line.channels[name] for name in names if name in line.channels)
    channels = channels if len(channels) == len(names) else ()
    is_of_each = bool(metric.reads & {Reads.TRANSITIONS, Reads.LOW_LEVEL})
    for group in [(one,) for one in channels] if is_of_each else [channels]:
        yield LimitedReading(
            label=measurement.label,
            name=wanted.name,
            metric=wanted.metric,
            parts=metric.reads if not is_of_each else metric.reads - {Reads.FRAMES},
            limit=wanted.limit.interval,
            channels=group if is_of_lines else (),
            profile=profile,
            timebase=line.timebase,
            options=EDGE_LEVELS if Reads.TRANSITIONS in metric.reads else {},
            rule=measurement.rule_of(wanted),
            place=wanted.place,
        )


def between_edges(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """A time between edges of a bus that at its limit is a few samples, or not well longer than edges of the set-up."""
    if not {Reads.FRAMES, Reads.EDGES} <= reading.parts or reading.limit.unit not in ("s", "Hz"):
        return
    ends = [end if reading.limit.unit == "s" else 1 / end for end in reading.ends if end > 0]
    if not ends:
        return
    shortest = min(ends)
    if reading.timebase is not None and (samples := shortest / reading.timebase.interval) < SAMPLES_ON_EDGE:
        shown = (show_quantity(shortest, "s"), show_quantity(reading.timebase.interval, "s"))
        what = f"at its limit it takes {shown[0]}, which is {samples:.2g} samples of {shown[1]}"
        yield FitnessFinding(FitnessRule.EDGE_SAMPLES, what, samples, "samples")
    own = max((joint_rise_time(one.path.bandwidths.values()) for one in reading.channels), default=0.0)
    own *= share_between(LOW, HIGH)
    if shortest < TIMES_FASTER * own:
        shown = (show_quantity(own, "s"), show_quantity(shortest, "s"))
        what = f"an edge of the set-up alone takes {shown[0]}, and the limit is at {shown[1]} between two edges"
        yield FitnessFinding(FitnessRule.SETUP_SPEED, what, own, "s")


def within_record(reading: LimitedReading) -> Iterator[FitnessFinding]:
    """A time that the limit allows, and that the record is too short to hold."""
    if reading.timebase is None or reading.limit.unit != "s" or Reads.TRANSITIONS in reading.parts:
        return
    span, longest = reading.timebase.span, reading.ends[-1]
    if longest > span:
        what = f"the limit allows {show_quantity(longest, 's')}, and the record holds {show_quantity(span, 's')}"
        yield FitnessFinding(FitnessRule.RECORD_LENGTH, what, span, "s", cannot_decide=reading.ends[0] > span)


def _options(metric: LineMetric, wanted: Computation) -> Mapping[str, Any]:
    try:
        return metric.options(wanted.options)
    except Misuse:  # it was tried when the recipe was read
        return {}
