"""Probe loading: what touching a point with a probe does to it, from the probe's and the source's data.

The probe is a resistance in parallel with a capacitance at its tip; the source is a voltage and a series resistance,
with a capacitance of its own at the node. All follow from Ohm's and Kirchhoff's laws.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from wavewright.analysis.elementary.angles import arctangent
from wavewright.analysis.fitting.first_order import RISE_FACTOR, cutoff_frequency
from wavewright.errors import Misuse


@dataclass(frozen=True, slots=True)
class Probe:
    """A probe as its tip shows it.

    Parameters
    ----------
    resistance : ohm, > 0; infinite for none.
    capacitance : F, ≥ 0.
    attenuation : of the signal on its way to the instrument, ≥ 1.
    """

    resistance: float
    capacitance: float
    attenuation: float = 1.0

    def __post_init__(self) -> None:
        if not (self.resistance > 0 and 0 <= self.capacitance < math.inf and 1 <= self.attenuation < math.inf):
            raise Misuse(
                f"a probe of {self.resistance:g} ohm, {self.capacitance:g} F, 1:{self.attenuation:g}",
                expected="a resistance above 0, a capacitance of 0 or more, an attenuation of 1 or more",
            )

    def impedance(self, frequency: float) -> complex:
        """Ohm, at a frequency in Hz."""
        return 1 / (1 / self.resistance + 2j * math.pi * frequency * self.capacitance)


@dataclass(frozen=True, slots=True)
class ProbedNode:
    """The place that is touched: a source in series with `resistance` (ohm, ≥ 0); `capacitance` (F, ≥ 0) to ground."""

    resistance: float
    capacitance: float = 0.0

    def __post_init__(self) -> None:
        if not (0 <= self.resistance < math.inf and 0 <= self.capacitance < math.inf):
            raise Misuse(f"a node of {self.resistance:g} ohm, {self.capacitance:g} F", expected="finite, 0 or more")


@dataclass(frozen=True, slots=True)
class Crystal:
    """A quartz crystal in an oscillator: series-resonance model.

    Parameters
    ----------
    frequency : Hz, the oscillator's without a probe.
    motional_capacitance, shunt_capacitance, load_capacitance : C1, C0 and C_L, F.
    """

    frequency: float
    motional_capacitance: float
    shunt_capacitance: float
    load_capacitance: float


@dataclass(frozen=True, slots=True)
class Loading:
    """What to expect of a touched node: with the probe against without it.

    Parameters
    ----------
    dc_change : of the voltage at rest, as a ratio; below 0.
    bandwidth_before, bandwidth : −3 dB, Hz; infinite without capacitance or resistance.
    rise_time_before, rise_time : 10–90 % of a step at the source, s.
    amplitude_change : of a sine of `frequency`, as a ratio; None where no frequency was asked for.
    phase_change_deg : of that sine; below 0 for later.
    frequency_change : of a crystal oscillator, as a ratio; None where there is no crystal.
    """

    dc_change: float
    bandwidth_before: float
    bandwidth: float
    rise_time_before: float
    rise_time: float
    frequency: float | None = None
    amplitude_change: float | None = None
    phase_change_deg: float | None = None
    frequency_change: float | None = None


def expected_loading(
    probe: Probe, node: ProbedNode, *, frequency: float | None = None, crystal: Crystal | None = None
) -> Loading:
    """The loading of a node by a probe.

    Parameters
    ----------
    frequency : Hz, of a sine whose change is asked for.
    crystal : where the node belongs to a crystal oscillator; the probe's capacitance adds to its load.

    Examples
    --------
    >>> loading = expected_loading(Probe(10e6, 12e-12, 10), ProbedNode(10e3))
    >>> round(loading.bandwidth), round(1e9 * loading.rise_time, 3)
    (1327617, 263.404)
    """
    joint = parallel(node.resistance, probe.resistance)
    total = node.capacitance + probe.capacitance
    return Loading(
        dc_change=dc_loading(node.resistance, probe.resistance),
        bandwidth_before=cutoff_frequency(node.resistance, node.capacitance),
        bandwidth=cutoff_frequency(joint, total),
        rise_time_before=RISE_FACTOR * node.resistance * node.capacitance,
        rise_time=RISE_FACTOR * joint * total,
        frequency=frequency,
        amplitude_change=None if frequency is None else _magnitude(_ratio(probe, node, frequency)) - 1,
        phase_change_deg=None if frequency is None else _phase_deg(_ratio(probe, node, frequency)),
        frequency_change=None if crystal is None else crystal_pulling(crystal, probe.capacitance),
    )


def parallel(one: float, other: float) -> float:
    """Resistance of two in parallel, ohm; either may be infinite or 0."""
    if math.isinf(one) or math.isinf(other):
        return min(one, other)
    return one * other / (one + other) if one + other else 0.0


def dc_loading(source_resistance: float, probe_resistance: float) -> float:
    """Change of a voltage at rest as a ratio: −R_s / (R_s + R)."""
    return 0.0 if math.isinf(probe_resistance) else -source_resistance / (source_resistance + probe_resistance)


def crystal_pulling(crystal: Crystal, added_capacitance: float) -> float:
    """Change of a crystal oscillator's frequency as a ratio, when its load grows; below 0.

    f = f_s √(1 + C1 / (C0 + C_L)) (series-resonance model: C1 in series with C0 + C_L; math). Written so that it keeps
    the digits of a few ppm, with nothing but what every system computes alike: √(1 + d) − 1 = d / (√(1 + d) + 1).
    """
    motional, load = crystal.motional_capacitance, crystal.shunt_capacitance + crystal.load_capacitance
    difference = -motional * added_capacitance / ((load + added_capacitance) * (load + motional))
    return difference / (math.sqrt(1 + difference) + 1)


def resonance_frequency(inductance: float, capacitance: float) -> float:
    """Hz: 1 / (2π √(L C)); also that of a ground lead with the capacitance of the tip."""
    return 1 / (2 * math.pi * math.sqrt(inductance * capacitance))


@dataclass(frozen=True, slots=True)
class Compensation:
    """Step response of a compensated divider: from `first` to `final` with `time_constant`, s."""

    first: float
    final: float
    time_constant: float

    @property
    def error(self) -> float:
        """How far the first value is off, as a ratio of the final one: below 0 is a rounded corner, above 0 a spike."""
        return self.first / self.final - 1


def _ratio(probe: Probe, node: ProbedNode, frequency: float) -> complex:
    """Voltage with the probe over that without it."""
    own = 1 + 2j * math.pi * frequency * node.resistance * node.capacitance
    return own / (own + node.resistance / probe.impedance(frequency))


def _magnitude(ratio: complex) -> float:
    """Python's own, the same on every system; that of a complex number comes from the system's C library."""
    return math.hypot(ratio.real, ratio.imag)


def _phase_deg(ratio: complex) -> float:
    return math.degrees(arctangent(ratio.imag, ratio.real))
