"""What a measurement needs of its instruments, in SI units and at the probe tip: the arguments of the roles.

A field that is None is left as the instrument has it after `*RST`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from wavewright.analysis.parameters import Slope
from wavewright.waveform import Waveform

Coupling = Literal["dc", "ac", "ground"]
Shape = Literal["sine", "square", "triangle", "ramp", "pulse", "dc", "noise", "arbitrary"]
Quantity = Literal["dc_voltage", "ac_voltage", "dc_current", "ac_current", "resistance", "temperature"]


@dataclass(frozen=True, slots=True)
class InputSetup:
    """One input of a digitizer.

    Parameters
    ----------
    input : number on the front panel, from 1.
    range : full scale, peak to peak, V, at the probe tip.
    offset : the voltage in the middle of the range, V, at the probe tip.
    attenuation : of the probe, ≥ 1; it is never sent to the instrument, it is our own arithmetic.
    bandwidth_limit : Hz.
    impedance : ohm.
    """

    input: int
    range: float
    offset: float = 0.0
    coupling: Coupling = "dc"
    attenuation: float = 1.0
    bandwidth_limit: float | None = None
    impedance: float | None = None


@dataclass(frozen=True, slots=True)
class TimebaseSetup:
    """The record: number of samples, time between two of them in s, and the time before the trigger in s."""

    points: int
    interval: float
    before_trigger: float = 0.0

    @property
    def span(self) -> float:
        """From the first sample to the last, s."""
        return self.interval * max(self.points - 1, 1)


@dataclass(frozen=True, slots=True)
class TriggerSetup:
    """The trigger: on a channel's crossing of a level (V at the probe tip), or after patience ran out (`auto`).

    Parameters
    ----------
    on : channel name, a key of `DigitizerSetup.inputs`. Empty: the trigger comes at once.
    level, hysteresis : V at the probe tip.
    holdoff : s.
    timeout : longest wait for trigger and record together, s.
    """

    mode: Literal["auto", "normal"] = "auto"
    on: str = ""
    edge: Slope = Slope.RISING
    level: float = 0.0
    hysteresis: float | None = None
    holdoff: float | None = None
    timeout: float = 5.0


@dataclass(frozen=True, slots=True)
class DigitizerSetup:
    """Inputs by channel name, time base and trigger."""

    inputs: Mapping[str, InputSetup]
    timebase: TimebaseSetup
    trigger: TriggerSetup = field(default_factory=TriggerSetup)

    def __post_init__(self) -> None:
        object.__setattr__(self, "inputs", MappingProxyType(dict(self.inputs)))


@dataclass(frozen=True, slots=True)
class SupplySetup:
    """One step of a supply.

    Parameters
    ----------
    voltage : V.
    current_limit : A.
    voltage_protection, current_protection : where the output trips, V and A.
    output : True: off first, then the values, read back, then on. False: off first. None: left as it is.
    may_trip : a trip of the protections that this step sets is what is tested.
    """

    voltage: float | None = None
    current_limit: float | None = None
    voltage_protection: float | None = None
    current_protection: float | None = None
    output: bool | None = None
    may_trip: bool = False


@dataclass(frozen=True, slots=True)
class SourceSetup:
    """One step of a signal source.

    Parameters
    ----------
    function : a step that names a function switches the output on at its end, unless `output` says otherwise.
    frequency : Hz.
    amplitude : peak to peak, V, into the load for which the profile is written.
    offset : V.
    duty_factor, symmetry : ratios, 0 … 1.
    width : of a pulse, s.
    phase : rad.
    burst_cycles : periods for one trigger; 0: without an end.
    starts_burst : the step ends with that trigger.
    arbitrary : one period, for the function `arbitrary`; scaled to `amplitude` and `offset`.
    """

    function: Shape | None = None
    frequency: float | None = None
    amplitude: float | None = None
    offset: float | None = None
    duty_factor: float | None = None
    symmetry: float | None = None
    width: float | None = None
    phase: float | None = None
    burst_cycles: int | None = None
    starts_burst: bool = False
    arbitrary: Waveform | None = None
    output: bool | None = None


@dataclass(frozen=True, slots=True)
class MeterSetup:
    """What a meter measures; without a range it finds its own. `cycles` is the aperture in periods of the mains.

    A temperature has no range; it is in degC.
    """

    quantity: Quantity = "dc_voltage"
    range: float | None = None
    cycles: float | None = None
