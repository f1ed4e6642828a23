"""A digitizer's input: from the node to the code, in the order in which the signal meets the parts.

Node → source impedance and probe loading (in the node) → ground lead → attenuation and bandwidth of the probe →
coupling → bandwidth of the input, band limit → gain and offset errors, noise → range and offset → converter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wavewright.simulation.circuit.motion import Motion, Sampler
from wavewright.simulation.probing import TRIM_TIME_CONSTANT, SimulatedProbe

Codes = npt.NDArray[np.int8] | npt.NDArray[np.int16]
_BLOCK = 1 << 18


@dataclass(frozen=True, slots=True)
class InputData:
    """What one input is built like: bandwidth and ac corner in Hz, noise in V rms at the full bandwidth, errors."""

    bandwidth: float
    ac_corner: float
    noise_floor: float
    noise_codes: float
    jitter: float
    gain_error: float = 0.0
    offset_error: float = 0.0  # as a share of the range
    skew: float = 0.0  # by which this input samples late, s


@dataclass(frozen=True, slots=True)
class FrontEndSettings:
    """How one input is set. `band_limit` in Hz; None: off. `range` peak to peak and `offset` in V at the connector."""

    coupling: str
    range: float
    offset: float
    band_limit: float | None = None
    impedance: float = 1e6
    bits: int = 8

    @property
    def volts_per_code(self) -> float:
        """The width of one code at the connector, V."""
        return self.range / (1 << self.bits)


def settling_time(data: InputData, setup: FrontEndSettings, probe: SimulatedProbe) -> float:
    """How long before a record the front end still remembers, s."""
    slowest = data.ac_corner if setup.coupling == "AC" else setup.band_limit or data.bandwidth
    frequency, quality = probe.resonance or (math.inf, 0.0)
    return max(
        6.0 / (2 * math.pi * slowest),
        6.0 * TRIM_TIME_CONSTANT if probe.trim else 0.0,
        6.0 * quality / (math.pi * frequency),
    )


def at_converter(node: Motion, probe: SimulatedProbe, data: InputData, setup: FrontEndSettings) -> Motion:
    """The voltage at the converter, referred to the connector, without noise, errors and limits."""
    if setup.coupling == "GRO":
        return Motion()
    if probe.resonance is not None:
        node = node.resonated(*probe.resonance)
    divided = node.scaled(1.0 / probe.attenuation)
    if probe.trim:
        divided = divided.plus(divided.high_passed(1 / (2 * math.pi * TRIM_TIME_CONSTANT)).scaled(probe.trim))
    volts = divided.low_passed(probe.bandwidth).low_passed(data.bandwidth)
    if setup.band_limit is not None:
        volts = volts.low_passed(setup.band_limit)
    if setup.coupling == "AC":
        volts = volts.high_passed(data.ac_corner)
    return volts


def noise_rms(data: InputData, setup: FrontEndSettings) -> float:
    """Noise at the connector, V rms: white noise through what bandwidth is left, and the converter's own."""
    share = min(1.0, (setup.band_limit or data.bandwidth) / data.bandwidth)
    return math.hypot(data.noise_floor * math.sqrt(share), data.noise_codes * setup.volts_per_code)


def digitize(
    volts: Motion,
    data: InputData,
    setup: FrontEndSettings,
    *,
    start: float,
    interval: float,
    count: int,
    generator: np.random.Generator,
) -> Codes:
    """Codes of `count` samples from `start`, s, `interval` apart: shape (count,), int8 or int16, clipped."""
    highest = 2 ** (setup.bits - 1) - 1
    codes: Codes = np.empty(count, np.int8) if setup.bits <= 8 else np.empty(count, np.int16)
    sampler = Sampler(volts)
    gain = (1 + data.gain_error) / setup.volts_per_code
    shift = data.offset_error * 2**setup.bits - setup.offset / setup.volts_per_code
    sigma = np.float32(noise_rms(data, setup) / setup.volts_per_code)
    for first in range(0, count, _BLOCK):
        size = min(_BLOCK, count - first)
        scaled = gain * sampler.take(start + first * interval, interval, size) + shift
        scaled += sigma * generator.standard_normal(size, dtype=np.float32)
        codes[first : first + size] = np.clip(np.rint(scaled), -highest - 1, highest)
    return codes


def reach_at_converter(low: float, high: float, probe: SimulatedProbe, setup: FrontEndSettings) -> tuple[float, float]:
    """Bounds of the voltage at the converter, referred to the connector, from bounds of the node.

    A low-pass with real poles that has settled within its input's range stays within it; after a high-pass at most
    the whole swing is left, on either side (math).
    """
    if setup.coupling == "GRO":
        return 0.0, 0.0
    low, high = min(low, 0.0) / probe.attenuation, max(high, 0.0) / probe.attenuation
    beyond = max(0.0, probe.trim) * (high - low)
    if probe.resonance is not None:  # edge upon edge in step with it: at most 1 / (1 - overshoot of one) times (math)
        overshoot = math.exp(-math.pi / math.sqrt(4 * probe.resonance[1] ** 2 - 1))
        beyond += (high - low) * overshoot / (1 - overshoot)
    low, high = low - beyond, high + beyond
    return (low - high, high - low) if setup.coupling == "AC" else (low, high)
