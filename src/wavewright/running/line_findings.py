"""What speaks against a reading of a decoded line: nothing connected, too few samples, and the way of each channel."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.analysis.doubts import Doubt, Finding, Reads
from wavewright.analysis.findings import doubted
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Reading
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.frame_metrics import LineMetric, find_frame_metric, lines_read, measure_decoded
from wavewright.buses.line.bit_rate import shortest_pulse
from wavewright.quantities import show_quantity
from wavewright.recipe.computation import Computation

if TYPE_CHECKING:
    from wavewright.running.shot import ExaminedShot

SAMPLES_PER_BIT = 4.0  # as per period of a signal; common practice, no source
CLOCKS = ("scl", "clock")
FEWEST_EDGES = 4


def findings_of_line(shot: ExaminedShot, line: str) -> Iterator[Finding]:
    """What speaks against everything that is decoded from a line."""
    yield from shot.unconnected(line)
    yield from shot.repeated(line)
    if (found := _few_samples_per_bit(shot.decoded(line))) is not None:
        yield found


def findings_of_metric(shot: ExaminedShot, wanted: Computation, measured: Reading) -> Iterator[Finding]:
    """What speaks against a reading over the lines of a bus: of each line, or group of lines, that the metric reads."""
    decoded = shot.decoded(wanted.of[0])
    metric = find_frame_metric(wanted.metric, bus=decoded.bus.name)
    if not isinstance(metric, LineMetric) or measured.value is None:
        return
    options = metric.options(wanted.options)
    if metric.follows:
        yield from _of_followed(shot, wanted, metric, measured)
    levels = lines_read(metric, decoded, options)
    together = [tuple(levels)] if Reads.EDGES in metric.reads else [(name,) for name in levels]
    for names in filter(None, together):
        yield from _examined(shot, wanted.of[0], metric, measured, {name: levels[name] for name in names})


def _examined(
    shot: ExaminedShot,
    line: str,
    metric: LineMetric,
    measured: Reading,
    levels: Mapping[str, tuple[float, float]],
) -> Iterator[Finding]:
    channels = shot.channels_by_line(line, levels)
    if not channels:
        return
    low, high = next(iter(levels.values()))
    options: dict[str, Any] = {"low": ReferenceLevel(low, False), "high": ReferenceLevel(high, False)}
    plain = replace(measured, doubts=(), findings=())
    read = replace(shot.read(channels, plain, metric.reads, metric=metric.name), options=options)
    yield from doubted(read).findings
    for channel in channels:
        yield from shot.handed_on(channel, plain, metric.reads, metric=metric.name)


def _of_followed(shot: ExaminedShot, wanted: Computation, metric: LineMetric, measured: Reading) -> Iterator[Finding]:
    """The doubts of the reading that this one is proportional to, in its unit."""
    decoded = shot.decoded(wanted.of[0])
    other = measure_decoded(decoded, metric.follows)
    if not other.value or measured.value is None:
        return
    ratio = measured.value / other.value
    followed = replace(wanted, metric=metric.follows, options={})
    for one in findings_of_metric(shot, followed, other):
        yield replace(one, below=one.below * ratio, above=one.above * ratio)


def _few_samples_per_bit(decoded: BusRecord) -> Finding | None:
    """Bits so short that the samples hardly tell one from the next."""
    bit = bit_time(decoded)
    interval = max((wave.interval for wave in decoded.waves.values()), default=0.0)
    if bit is None or bit >= SAMPLES_PER_BIT * interval:
        return None
    shown = (show_quantity(bit, "s"), show_quantity(interval, "s"))
    return Finding(Doubt.UNDERSAMPLED, f"a bit of {shown[0]} is {bit / interval:.2g} samples of {shown[1]}")


def bit_time(decoded: BusRecord) -> float | None:
    """How long a bit takes, s: as the bus has measured it, else a period of its clock, or the shortest pulse of a line.

    None where there are too few edges to tell.
    """
    rate = decoded.frames.facts.get("bit_rate") or decoded.frames.facts.get("nominal_bit_rate")
    if rate:
        return 1 / rate
    lines = {name: one for name, one in decoded.lines.items() if one is not None and one.times.size >= FEWEST_EDGES}
    clock = next((lines[name] for name in CLOCKS if name in lines), None)
    if clock is not None and clock.rising.size > 1:
        return float(np.median(np.diff(clock.rising)))
    return min((shortest_pulse(one.times) for one in lines.values()), default=None)
