"""What a simulated digitizer computes of its last record by itself, as plainly as small instruments do.

Nothing here comes from the analysis of this project, so that a cross-check compares two computations: levels are the
commonest code on either side of the middle, instants are those of samples, nothing is interpolated or fitted. NaN
stands for "no value" and is answered as 9.91E37.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from wavewright.simulation.devices.records import CodeScale
from wavewright.simulation.front_end import Codes

Indices = npt.NDArray[np.intp]
_APART = 32  # states nearer to each other than this part of the converter's codes are not told apart
_MARGIN = 8  # an edge counts when it has gone this part of the swing beyond the middle


@dataclass(frozen=True, slots=True)
class OwnRecord:
    """Codes of one input, shape (points,), the scale of the record, and the bits of the converter."""

    codes: Codes
    scale: CodeScale
    bits: int = 8

    @property
    def extremes(self) -> tuple[int, int]:
        """Lowest and highest code."""
        return int(self.codes.min()), int(self.codes.max())

    @property
    def middle(self) -> float:
        """Halfway between the extremes, in codes."""
        return sum(self.extremes) / 2

    def volts(self, code: float) -> float:
        """The voltage at the connector that a code stands for."""
        return self.scale.offset + self.scale.gain * code


def maximum(record: OwnRecord) -> float:
    """The highest code, in V."""
    return record.volts(record.extremes[1])


def minimum(record: OwnRecord) -> float:
    """The lowest code, in V."""
    return record.volts(record.extremes[0])


def peak_to_peak(record: OwnRecord) -> float:
    """From the lowest to the highest code, in V."""
    low, high = record.extremes
    return record.scale.gain * (high - low)


def mean(record: OwnRecord) -> float:
    """Arithmetic mean, V."""
    return record.volts(float(record.codes.mean(dtype=np.float64)))


def ac(record: OwnRecord) -> float:
    """Root of the mean square about the mean, V."""
    return record.scale.gain * float(record.codes.std(dtype=np.float64))


def high(record: OwnRecord) -> float:
    """The commonest code above the middle, in V."""
    return record.volts(_states(record)[1])


def low(record: OwnRecord) -> float:
    """The commonest code below the middle, in V."""
    return record.volts(_states(record)[0])


def amplitude(record: OwnRecord) -> float:
    """High less low, V."""
    below, above = _states(record)
    return record.scale.gain * (above - below)


def overshoot(record: OwnRecord) -> float:
    """How far the highest code lies above the high state, as a share of the amplitude."""
    below, above = _states(record)
    return (record.extremes[1] - above) / (above - below)


def period(record: OwnRecord) -> float:
    """From the first rising edge to the last, over the periods between them, s."""
    rising, _ = _edges(record)
    if rising.size < 2:
        return math.nan
    return float(rising[-1] - rising[0]) / (rising.size - 1) * record.scale.interval


def frequency(record: OwnRecord) -> float:
    """Periods per second, Hz."""
    return 1 / period(record)


def duty(record: OwnRecord) -> float:
    """Samples above the middle from the first rising edge to the last, as a share of them all."""
    rising, _ = _edges(record)
    if rising.size < 2:
        return math.nan
    return float(np.mean(record.codes[rising[0] : rising[-1]] > record.middle))


def positive_width(record: OwnRecord) -> float:
    """From the first rising edge to the falling one after it, s."""
    return _from_to(record, *_edges(record))


def negative_width(record: OwnRecord) -> float:
    """From the first falling edge to the rising one after it, s."""
    rising, falling = _edges(record)
    return _from_to(record, falling, rising)


def rise_time(record: OwnRecord) -> float:
    """Of the first rising edge: from the last sample up to 10 % to the first from 90 % on, s."""
    rising, falling = _edges(record)
    return _transition(record, record.codes, _states(record), rising, falling)


def fall_time(record: OwnRecord) -> float:
    """Of the first falling edge, as `rise_time`, s."""
    rising, falling = _edges(record)
    below, above = _states(record)
    return _transition(record, -record.codes.astype(np.int32), (-above, -below), falling, rising)


CALCULATIONS: Mapping[str, Callable[[OwnRecord], float]] = MappingProxyType(
    {
        function.__name__: function
        for function in (
            maximum, minimum, peak_to_peak, mean, ac, high, low, amplitude, overshoot,
            period, frequency, duty, positive_width, negative_width, rise_time, fall_time,
        )
    }
)  # fmt: skip


def _states(record: OwnRecord) -> tuple[float, float]:
    """Low and high state, in codes; NaN where the swing does not exceed the noise."""
    lowest, highest = record.extremes
    if highest - lowest < (1 << record.bits) / _APART:
        return math.nan, math.nan
    counts = np.bincount(record.codes.astype(np.int32) - lowest)
    split = (highest - lowest) // 2 + 1
    return float(lowest + counts[:split].argmax()), float(lowest + split + counts[split:].argmax())


def _edges(record: OwnRecord) -> tuple[Indices, Indices]:
    """Samples at which the signal has come to the other side of the middle: rising, and falling. In order, in turn."""
    lowest, highest = record.extremes
    margin = (highest - lowest) / _MARGIN
    above, below = record.codes > record.middle + margin, record.codes < record.middle - margin
    outside = np.flatnonzero(above | below)
    is_high = above[outside]
    rising = outside[1:][is_high[1:] & ~is_high[:-1]]
    falling = outside[1:][~is_high[1:] & is_high[:-1]]
    if not math.isfinite(_states(record)[0]):
        return rising[:0], falling[:0]
    return rising, falling


def _from_to(record: OwnRecord, begins: Indices, ends: Indices) -> float:
    if not begins.size or not (later := ends[ends > begins[0]]).size:
        return math.nan
    return float(later[0] - begins[0]) * record.scale.interval


def _transition(
    record: OwnRecord, codes: npt.NDArray[np.signedinteger], states: tuple[float, float], there: Indices, back: Indices
) -> float:
    """Duration of the first edge `there`, of codes that rise in it; it must lie between whole states."""
    if not there.size:
        return math.nan
    below, above = states
    step, edge = (above - below) / 10, there[0]
    end = back[back > edge][0] if (back > edge).any() else codes.size
    start = back[back < edge][-1] if (back < edge).any() else 0
    before = np.flatnonzero(codes[start:edge] <= below + step)
    after = np.flatnonzero(codes[edge:end] >= above - step)
    if not (before.size and after.size):
        return math.nan
    return float(edge + after[0] - (start + before[-1])) * record.scale.interval
