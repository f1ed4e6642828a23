"""The plan: every step of a run with its exact messages and a time estimate, made without an instrument.

A pure function of recipe, profiles and probes. Queries that read back or confirm a setting are left out; so is what
an automatic range or time base will choose on the bench, and a second look at a higher rate, which depends on what the
first record shows.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from wavewright.instruments.digitizer_setup import digitizer_messages, shot_messages
from wavewright.instruments.meter import meter_messages
from wavewright.instruments.roles import ROLES
from wavewright.instruments.source import as_played, source_messages
from wavewright.instruments.supply import supply_messages, supply_queries
from wavewright.instruments.vocabulary import Role
from wavewright.running.automatic_settings import WIDEST
from wavewright.running.instrument_settings import (
    RequestedSetup,
    meter_setup,
    requested_setup,
    source_setup,
    split_stimulus,
    supply_setup,
)
from wavewright.running.run_context import placing_text
from wavewright.running.stored_waveforms import NOTHING_STORED, PlayedWaveforms

if TYPE_CHECKING:
    from wavewright.instruments.profile import Profile
    from wavewright.instruments.setups import DigitizerSetup, SourceSetup
    from wavewright.recipe.measurement import Measurement
    from wavewright.recipe.recipe import Recipe
    from wavewright.recipe.stimulus import SourceStep, StimulusStep

# For the estimate only, and rough on purpose: what a message costs on a network, what a link carries, how often an
# automatic setting looks.
SECONDS_PER_MESSAGE = 2e-3
SAMPLES_PER_SECOND = 5e6
SEARCH_SHOTS = 8


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step: what it is for, which instrument gets which messages, how long it takes, s."""

    purpose: str
    role: str = ""
    messages: tuple[str, ...] = ()
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class PlannedMeasurement:
    """All steps of a measurement; what is in `for_every_shot` is done again for each of `shots`."""

    label: str
    shots: int
    first: tuple[PlannedStep, ...]
    for_every_shot: tuple[PlannedStep, ...]

    @property
    def seconds(self) -> float:
        """About how long it takes, s, without the time that people take."""
        return _seconds(self.first) + self.shots * _seconds(self.for_every_shot)


@dataclass(frozen=True, slots=True)
class Plan:
    """What a run of a recipe will do, in order."""

    title: str
    cautions: tuple[str, ...]
    measurements: tuple[PlannedMeasurement, ...]
    last: tuple[PlannedStep, ...]

    @property
    def seconds(self) -> float:
        """About how long it takes, s, without the time that people take."""
        return sum(one.seconds for one in self.measurements) + _seconds(self.last)


def plan(
    recipe: Recipe,
    profiles: Mapping[Role, Profile],
    *,
    attenuations: Mapping[int, float],
    played: PlayedWaveforms = NOTHING_STORED,
) -> Plan:
    """Every step of a run.

    Parameters
    ----------
    profiles : of the instruments that the run uses, by role.
    attenuations : of the probes on the bench, by input.
    played : the stored waveforms that the source plays.

    Raises
    ------
    Misuse : a profile cannot say one of the messages.
    """
    return Plan(
        title=recipe.title,
        cautions=recipe.cautions,
        measurements=tuple(_measurement(one, profiles, attenuations, played) for one in recipe),
        last=tuple(_outputs_off(profiles)),
    )


def _measurement(
    measurement: Measurement,
    profiles: Mapping[Role, Profile],
    attenuations: Mapping[int, float],
    played: PlayedWaveforms,
) -> PlannedMeasurement:
    digitizer = profiles[Role.DIGITIZER]
    goal = _with_widest_ranges(requested_setup(measurement, attenuations=attenuations), digitizer)
    before, after = split_stimulus(measurement)
    first = [*_known_state(profiles), *_placing(measurement, goal.setup, profiles)]
    is_repeated = measurement.trigger.mode == "normal"
    if goal.is_automatic or not is_repeated:
        first += _stimulus(measurement.stimulus, profiles, played)
    if goal.is_automatic:
        first += _search(goal)
    first.append(_configure(goal, digitizer))
    arm, fetch = _shot(goal.setup, digitizer)
    meter = tuple(_meterings(measurement, profiles))
    waits = _wait_for_trigger(digitizer) if after else ()
    armed = (*_stimulus(before, profiles, played), arm, *waits, *_stimulus(after, profiles, played))
    every = (*armed, fetch) if is_repeated else (arm, fetch)
    return PlannedMeasurement(measurement.label, measurement.shots, tuple(first), (*every, *meter))


def _with_widest_ranges(goal: RequestedSetup, profile: Profile) -> RequestedSetup:
    """What the search for a range begins with."""
    widest = max(profile.grammar.abilities.ranges, default=WIDEST)
    inputs = {
        name: replace(one, range=widest * one.attenuation) if name in goal.auto_ranges else one
        for name, one in goal.setup.inputs.items()
    }
    return replace(goal, setup=replace(goal.setup, inputs=inputs))


def _known_state(profiles: Mapping[Role, Profile]) -> Iterator[PlannedStep]:
    for role, profile in profiles.items():
        if role is Role.DISPLAY:  # what it shows is for the operator and no state of the measurement
            continue
        off = profile.messages("output", False) if ROLES[role].has_output else ()
        messages = (*off, *ROLES[role].known_state_messages(profile))
        yield _step(f"known state of the {role}", role, messages)


def _placing(
    measurement: Measurement, setup: DigitizerSetup, profiles: Mapping[Role, Profile]
) -> Iterator[PlannedStep]:
    text = placing_text(measurement, setup)
    display = profiles.get(Role.DISPLAY)
    yield _step(f"ask the operator: {text}", Role.DISPLAY, display.messages("text", text) if display else ())


def _stimulus(
    steps: tuple[StimulusStep, ...], profiles: Mapping[Role, Profile], played: PlayedWaveforms
) -> Iterator[PlannedStep]:
    for step in steps:
        if step.supply is not None:
            messages = supply_messages(profiles[Role.SUPPLY], supply_setup(step.supply))
            yield _step("set the supply", Role.SUPPLY, messages)
        if step.source is not None:
            setup = as_played(profiles[Role.SOURCE], source_setup(step.source, played))
            yield _step(_purpose(step.source, setup), Role.SOURCE, source_messages(profiles[Role.SOURCE], setup))
        if step.then_wait is not None:
            yield PlannedStep(f"wait {step.then_wait}", seconds=float(step.then_wait))


def _purpose(step: SourceStep, setup: SourceSetup) -> str:
    """What a step of the source is for."""
    what = "a ramp" if step.waveform is None else f"`{step.waveform}`"
    played = f", playing {what}, {len(setup.arbitrary)} points" if setup.arbitrary is not None else ""
    return f"set the source{played}{', and start the burst' if setup.starts_burst else ''}"


def _search(goal: RequestedSetup) -> Iterator[PlannedStep]:
    cost = SEARCH_SHOTS * (goal.setup.timebase.span + goal.setup.timebase.points / SAMPLES_PER_SECOND)
    if goal.auto_ranges:
        yield PlannedStep(f"find the range of {', '.join(goal.auto_ranges)}", Role.DIGITIZER, seconds=cost)
    if goal.cycles:
        yield PlannedStep(f"find the period, for a record of {goal.cycles} cycles", Role.DIGITIZER, seconds=cost)
    if goal.auto_level:
        yield PlannedStep(f"find the trigger level on {goal.setup.trigger.on}", Role.DIGITIZER)


def _configure(goal: RequestedSetup, profile: Profile) -> PlannedStep:
    note = ", with the values that were found in place of these" if goal.is_automatic else ""
    return _step(f"set the digitizer and read back{note}", Role.DIGITIZER, digitizer_messages(profile, goal.setup))


def _shot(setup: DigitizerSetup, profile: Profile) -> tuple[PlannedStep, PlannedStep]:
    """Arming, and what comes when the trigger has come; between the two a stimulus has its place."""
    acquire, timebase = profile.grammar.acquire, setup.timebase
    enabling = acquire.finished.service_request
    messages = shot_messages(profile, setup)
    parted = len(acquire.arm) + (len(enabling.before) if enabling else 0)
    fetch = _step("wait for the end of the record, and fetch it", Role.DIGITIZER, messages[parted:])
    seconds = timebase.span + timebase.points * len(setup.inputs) / SAMPLES_PER_SECOND
    return _step("arm", Role.DIGITIZER, messages[:parted]), replace(fetch, seconds=fetch.seconds + seconds)


def _wait_for_trigger(profile: Profile) -> tuple[PlannedStep, ...]:
    """What is asked before a stimulus that causes the trigger, where the profile says how."""
    ask = profile.grammar.acquire.armed.ask
    return (_step("see that it waits for the trigger", Role.DIGITIZER, (ask,)),) if ask else ()


def _meterings(measurement: Measurement, profiles: Mapping[Role, Profile]) -> Iterator[PlannedStep]:
    for name, one in measurement.meter.items():
        yield _step(f"read {name}", Role.METER, meter_messages(profiles[Role.METER], meter_setup(one)))
    for name, one in measurement.supply.items():
        yield _step(f"read {name}", Role.SUPPLY, supply_queries(profiles[Role.SUPPLY], one.quantity))


def _outputs_off(profiles: Mapping[Role, Profile]) -> Iterator[PlannedStep]:
    for role in (Role.SUPPLY, Role.SOURCE):
        if role in profiles:
            yield _step(f"output of the {role} off, and confirmed", role, profiles[role].messages("output", False))


def _step(purpose: str, role: str, messages: tuple[str, ...]) -> PlannedStep:
    return PlannedStep(purpose, str(role), messages, SECONDS_PER_MESSAGE * len(messages))


def _seconds(steps: tuple[PlannedStep, ...]) -> float:
    return sum(step.seconds for step in steps)
