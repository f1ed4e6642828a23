"""What a measurement requests of the instruments, and what they are set to, side by side, with the differences."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, SupportsFloat, cast

from wavewright.analysis.parameters import Slope
from wavewright.errors import SetOtherwise
from wavewright.instruments.deviations import NOTICEABLE, deviations
from wavewright.instruments.digitizer_setup import at_the_tip
from wavewright.instruments.setups import (
    DigitizerSetup,
    InputSetup,
    MeterSetup,
    SourceSetup,
    SupplySetup,
    TimebaseSetup,
    TriggerSetup,
)
from wavewright.instruments.source import period_extremes
from wavewright.quantities import show_quantity
from wavewright.recipe.stimulus import SourceStep, StimulusStep, SupplyStep, Switch
from wavewright.running.stored_waveforms import NOTHING_STORED, PlayedWaveforms, played_by

if TYPE_CHECKING:
    from wavewright.instruments.digitizer import Digitizer
    from wavewright.instruments.instrument import Instrument
    from wavewright.instruments.profile import Assignment, Profile
    from wavewright.recipe.acquisition import Channel, Timebase
    from wavewright.recipe.measurement import Measurement
    from wavewright.recipe.metering import Metering
    from wavewright.running.result import Setting

PLACEHOLDER = TimebaseSetup(points=100_000, interval=1e-6)  # of a record in cycles, until the period is known
EDGE_SAMPLES = 8  # before the trigger where the recipe names no time: the edge that triggers is in the record
DEFAULT_TIMEOUT = 5.0  # s
AUTO = "auto"
SHORTEST = 0.9  # of the span that was requested; a shorter record may miss what a limit is about


@dataclass(frozen=True, slots=True)
class RequestedSetup:
    """What a measurement needs of the digitizer, and which of it is to be found out on the bench.

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


def requested_setup(measurement: Measurement, *, attenuations: Mapping[int, float]) -> RequestedSetup:
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
    return RequestedSetup(
        setup,
        auto_ranges=tuple(name for name, channel in channels.items() if channel.range == AUTO),
        cycles=measurement.timebase.cycles,
        auto_level=trigger.level == AUTO,
    )


def split_stimulus(measurement: Measurement) -> tuple[tuple[StimulusStep, ...], tuple[StimulusStep, ...]]:
    """The steps before arming and those after it.

    In mode `auto` the stimulus is there before the record is taken. In mode `normal` it causes the trigger: what is
    waited for comes first (a supply that is off, say), and the steps after the last wait come when all is armed.
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
        may_trip=step.trip is not None,
    )


def source_setup(step: SourceStep, played: PlayedWaveforms = NOTHING_STORED) -> SourceSetup:
    """One step of the source; two extremes become amplitude and offset.

    A stored waveform is played as it was recorded, in volts and in time, but for what the step itself names.

    Parameters
    ----------
    played : the stored waveforms that steps play.

    Raises
    ------
    NotMeasurable : a stored waveform was not read.
    """
    period = played_by(step, played)
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


def meter_setup(wanted: Metering) -> MeterSetup:
    """What the meter is set to."""
    cycles = None if wanted.cycles is None else float(wanted.cycles)
    return MeterSetup(quantity=cast("Any", wanted.quantity.value), range=_number(wanted.range), cycles=cycles)


@dataclass
class SettingsRecord:
    """The settings of one measurement by name, in SI units and in volts at the probe tip.

    The digitizer's are under their own names (`input1.range`), those of a step of the stimulus under its number
    (`step1.supply.voltage`), those of the meter under the reading that they are for (`meter.rail.quantity`).

    Parameters
    ----------
    asked, used : what was requested, and what the instruments answered that they use.
    facts : what bench and profile state about each input, to be kept with every shot.
    """

    asked: dict[str, Setting] = field(default_factory=dict)
    used: dict[str, Setting] = field(default_factory=dict)
    facts: dict[str, Setting] = field(default_factory=dict)
    _differences: dict[str, None] = field(default_factory=dict)

    @property
    def differences(self) -> tuple[str, ...]:
        """Each of them once, however many shots it was there."""
        return tuple(self._differences)

    def note(
        self, asked: Iterable[Assignment], used: Mapping[str, Setting], profile: Profile, *, head: str = ""
    ) -> None:
        """Take in a group of settings; `head` goes before each name, with its dot."""
        group = list(asked)
        self.asked |= {head + one.name: one.value for one in group if isinstance(one.value, float | int | str | bool)}
        self.used |= {head + name: value for name, value in used.items()}
        self._differences |= {f"{head}{one}": None for one in deviations(group, used, profile)}

    @contextmanager
    def keeping(
        self, asked: Iterable[Assignment], instrument: Instrument, *, head: str
    ) -> Iterator[dict[str, Setting]]:
        """Yields a dictionary for what is read back in the block, and takes it in after it, whatever came of it."""
        used: dict[str, Setting] = {}
        try:
            yield used
        except SetOtherwise as fault:
            used |= fault.used
            raise
        finally:
            self.note(asked, used, instrument.profile, head=head)

    def say(self, line: str) -> None:
        """A difference that no single setting shows."""
        self._differences[line] = None


def configure(
    digitizer: Digitizer, setup: DigitizerSetup, record: SettingsRecord | None = None, *, only_changed: bool = False
) -> None:
    """Set the digitizer and read back; where it rounds the time between samples, the span is kept and not the number.

    A record that became shorter than the recipe has it would miss what the recipe waits for.

    Parameters
    ----------
    record : takes in what was requested and what came of it.
    only_changed : as in `Digitizer.configure`.

    Raises
    ------
    SetOtherwise : the digitizer is set to something else than requested, in a way that may change a verdict.
    Misuse, BenchFault, Complaint, NoAnswer, BadAnswer, LinkLost
    """
    record = SettingsRecord() if record is None else record
    used = dict(digitizer.configure(setup, only_changed=only_changed))
    asked = _asked_at_the_tip(digitizer, setup)
    record.note(asked, used, digitizer.profile)
    timebase = setup.timebase
    interval = _interval(used, timebase)
    points = round(timebase.points * timebase.interval / interval)
    if abs(points - timebase.points) > NOTICEABLE * timebase.points:
        most = int(digitizer.profile.grammar.abilities.points or points)
        corrected = replace(timebase, interval=interval, points=min(points, most))
        used = dict(digitizer.configure(replace(setup, timebase=corrected)))
        record.used |= used
        record.say(f"timebase.points: {int(used.get('timebase.points', points))}, to keep the span")
    digitizer.check_as_requested(asked, used)
    _check_span(digitizer, setup, used)


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
    """Samples per second; a span has a rate or a number of points, which loading has seen to."""
    assert timebase.rate is not None
    return float(timebase.rate)


def _number(stated: object) -> float | None:
    return None if stated is None else float(cast("SupportsFloat", stated))


def _switch(switch: Switch | None) -> bool | None:
    return None if switch is None else switch is Switch.ON


def _interval(used: Mapping[str, Setting], wanted: TimebaseSetup) -> float:
    """The time between two samples as read back, s."""
    if "timebase.interval" in used:
        return float(used["timebase.interval"])
    if "timebase.rate" in used:
        return 1 / float(used["timebase.rate"])
    if "timebase.span" in used:
        return float(used["timebase.span"]) / max(float(used.get("timebase.points", wanted.points)) - 1, 1)
    return wanted.interval


def _asked_at_the_tip(digitizer: Digitizer, setup: DigitizerSetup) -> list[Assignment]:
    """What `configure` requested, in volts at the probe tip."""
    plain = {one.name: one.value for one in digitizer.asked if isinstance(one.value, float | int | str | bool)}
    values = at_the_tip(plain, setup)
    return [replace(one, value=values[one.name]) for one in digitizer.asked if one.name in values]


def _check_span(digitizer: Digitizer, setup: DigitizerSetup, used: Mapping[str, Setting]) -> None:
    wanted = setup.timebase
    span = _interval(used, wanted) * max(float(used.get("timebase.points", wanted.points)) - 1, 1)
    if span < SHORTEST * wanted.span:
        raise SetOtherwise(
            f"the record: requested {show_quantity(wanted.span, 's')}, set to {show_quantity(span, 's')}",
            where=digitizer.link.where,
            expected="a record as long as the recipe requires",
            do="request a shorter span, or fewer samples per second",
        )
