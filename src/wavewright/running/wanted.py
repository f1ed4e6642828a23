"""What a measurement of a recipe wants, in the terms of the instruments' roles: pure translation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from wavewright.analysis.parameters import Slope
from wavewright.instruments.setups import (
    DigitizerSetup,
    InputSetup,
    SourceSetup,
    SupplySetup,
    TimebaseSetup,
    TriggerSetup,
)
from wavewright.instruments.source import period_extremes
from wavewright.recipe.acquisition import Channel, Timebase
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.stimulus import SourceStep, Step, SupplyStep, Switch
from wavewright.running.periods import NOTHING_STORED, Periods, period_of

PLACEHOLDER = TimebaseSetup(points=100_000, interval=1e-6)  # of a record in cycles, until the period is known
EDGE_SAMPLES = 8  # before the trigger where the recipe names no time: the edge that triggers is in the record
DEFAULT_TIMEOUT = 5.0  # s
AUTO = "auto"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a measurement wants of the digitizer, and which of it is to be found out on the bench.

    Parameters
    ----------
    setup : as the recipe has it; what is automatic has a placeholder in it.
    auto_ranges : names of the channels whose range is to be found.
    cycles : how many cycles the record is to hold; None where the recipe gives the record itself.
    auto_level : the trigger level is to be found.
    """

    setup: DigitizerSetup
    auto_ranges: tuple[str, ...]
    cycles: int | None
    auto_level: bool

    @property
    def is_automatic(self) -> bool:
        """Whether there is anything to be found out."""
        return bool(self.auto_ranges or self.cycles or self.auto_level)


def wanted(measurement: Measurement, *, attenuations: Mapping[int, float]) -> Wanted:
    """What the recipe's measurement asks of the digitizer.

    Parameters
    ----------
    attenuations : of the probes that the bench has on its inputs; 1 where it says nothing.
    """
    channels, trigger, on = measurement.channels, measurement.trigger, measurement.trigger_channel
    setup = DigitizerSetup(
        inputs={name: _input(channel, attenuations) for name, channel in channels.items()},
        timebase=_timebase(measurement.timebase),
        trigger=TriggerSetup(
            mode=trigger.mode.value,
            on=on,
            edge=Slope(trigger.edge.value),
            level=0.0 if trigger.level == AUTO else float(trigger.level),
            hysteresis=_number(trigger.hysteresis),
            holdoff=_number(trigger.holdoff),
            timeout=DEFAULT_TIMEOUT if trigger.timeout is None else float(trigger.timeout),
        ),
    )
    return Wanted(
        setup,
        auto_ranges=tuple(name for name, channel in channels.items() if channel.range == AUTO),
        cycles=measurement.timebase.cycles,
        auto_level=trigger.level == AUTO,
    )


def split_stimulus(measurement: Measurement) -> tuple[tuple[Step, ...], tuple[Step, ...]]:
    """The steps before arming and those after it.

    In mode `auto` the stimulus is there before the record is taken. In mode `normal` it causes the trigger: what is
    waited for comes first (a supply that is off, say), and the steps behind the last wait come when all is armed.
    """
    steps = measurement.stimulus
    if measurement.trigger.mode == AUTO:
        return steps, ()
    last_wait = max((place for place, step in enumerate(steps) if step.then_wait is not None), default=-1)
    return steps[: last_wait + 1], steps[last_wait + 1 :]


def supply_setup(step: SupplyStep) -> SupplySetup:
    """One step of the supply."""
    return SupplySetup(
        voltage=_number(step.voltage),
        current_limit=_number(step.current_limit),
        voltage_protection=_number(step.voltage_protection),
        current_protection=_number(step.current_protection),
        output=_switch(step.output),
    )


def source_setup(step: SourceStep, periods: Periods = NOTHING_STORED) -> SourceSetup:
    """One step of the source; two extremes become amplitude and offset.

    A stored waveform is played as it was recorded, in volts and in time, but for what the step itself names.

    Parameters
    ----------
    periods : the stored waveforms that steps play.

    Raises
    ------
    NotMeasurable : a stored waveform was not read.
    """
    period = period_of(step, periods)
    frequency, amplitude, offset = _number(step.frequency), _number(step.amplitude), _number(step.offset)
    if step.high is not None and step.low is not None:
        amplitude, offset = _amplitude_and_offset(float(step.low), float(step.high))
    if period is not None:
        own_amplitude, own_offset = _amplitude_and_offset(*period_extremes(period))
        frequency = 1 / period.duration if frequency is None else frequency
        amplitude = own_amplitude if amplitude is None else amplitude
        offset = own_offset if offset is None else offset
    phase = _number(step.phase)
    return SourceSetup(
        function=None if step.function is None else step.function.value,
        frequency=frequency,
        amplitude=amplitude,
        offset=offset,
        duty_factor=_number(step.duty_factor),
        symmetry=_number(step.symmetry),
        phase=None if phase is None else math.radians(phase),
        burst_cycles=step.burst_cycles,
        starts_burst=step.starts_burst,
        arbitrary=period,
        output=_switch(step.output),
    )


def _amplitude_and_offset(low: float, high: float) -> tuple[float, float]:
    """Peak to peak, and the middle, of two extremes."""
    return high - low, (high + low) / 2


def _input(channel: Channel, attenuations: Mapping[int, float]) -> InputSetup:
    return InputSetup(
        input=channel.input,
        range=0.0 if channel.range == AUTO else float(channel.range),
        offset=0.0 if channel.offset is None or channel.offset == AUTO else float(channel.offset),
        coupling=channel.coupling.value,
        attenuation=attenuations.get(channel.input, 1.0) if channel.probe is None else float(channel.probe),
        bandwidth_limit=_number(channel.bandwidth_limit),
        impedance=_number(channel.impedance),
    )


def _timebase(timebase: Timebase) -> TimebaseSetup:
    if timebase.span is None:
        return PLACEHOLDER
    span = float(timebase.span)
    points = timebase.points or round(span * _rate(timebase))
    interval = 1 / _rate(timebase) if timebase.rate is not None else span / points
    before = EDGE_SAMPLES * interval if timebase.before_trigger is None else float(timebase.before_trigger)
    return TimebaseSetup(points=max(points, 1), interval=interval, before_trigger=before)


def _rate(timebase: Timebase) -> float:
    """Samples a second; a span has a rate or a number of points, which loading has seen to."""
    assert timebase.rate is not None
    return float(timebase.rate)


def _number(stated: object) -> float | None:
    return None if stated is None else float(stated)  # type: ignore[arg-type]  # Stated has __float__


def _switch(switch: Switch | None) -> bool | None:
    return None if switch is None else switch is Switch.ON
