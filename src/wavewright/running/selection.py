"""Which instruments of a bench a recipe uses, and whether they can do what it wants, before anything is sent."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from wavewright.errors import BenchFault, Misuse, Place, WavewrightError
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.digitizer_setup import digitizer_faults
from wavewright.instruments.meter import meter_messages
from wavewright.instruments.profile import Profile
from wavewright.instruments.source import source_faults, source_messages
from wavewright.instruments.supply import supply_faults, supply_questions
from wavewright.instruments.vocabulary import Role
from wavewright.recipe.fields import Stated
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.metering import Metering, Reader
from wavewright.recipe.recipe import Recipe
from wavewright.recipe.stimulus import SourceStep, SupplyStep
from wavewright.running.metering import meter_setup
from wavewright.running.periods import NOTHING_STORED, Periods
from wavewright.running.wanted import source_setup, supply_setup, wanted


@dataclass(frozen=True, slots=True)
class Selection:
    """The instruments for a run.

    Parameters
    ----------
    names : of the instruments in the bench file, by role.
    profiles : by role, that of the operator's screen included.
    attenuations : of the probes, by input.
    """

    names: Mapping[Role, str]
    profiles: Mapping[Role, Profile]
    attenuations: Mapping[int, float]


def select(recipe: Recipe, bench: BenchFile, *, periods: Periods = NOTHING_STORED) -> Selection:
    """The instruments that a recipe uses.

    Parameters
    ----------
    periods : the stored waveforms that the source is to play.

    Raises
    ------
    BenchFault : all that the bench lacks or forbids.
    """
    faults: list[BenchFault] = []
    names: dict[Role, str] = {}
    for role in roles_of(recipe):
        name = bench.name_of_role(role)
        if name is None:
            faults.append(_absent(role, bench))
        else:
            names[role] = name
    profiles = {role: bench.profiles[name] for role, name in names.items()}
    if "prompts" in bench.profiles:
        profiles[Role.DISPLAY] = bench.profiles["prompts"]
    attenuations = {number: probe.attenuation for number, probe in bench.probes.items()}
    chosen = Selection(names, profiles, attenuations)
    faults.extend(_inabilities(recipe, bench, chosen, periods))
    if faults:
        raise _joined(faults, bench)
    return chosen


def roles_of(recipe: Recipe) -> tuple[Role, ...]:
    """The roles that a recipe needs by its own words, and those that its measurements use."""
    used = {Role.DIGITIZER}
    if recipe.needs is not None:
        used |= {role for role in Role if getattr(recipe.needs, role.value, None) is not None}
    used |= {Role(one.by.value) for measurement in recipe for one in measurement.meterings}
    for step in (step for measurement in recipe for step in measurement.stimulus):
        used |= {role for role in (Role.SUPPLY, Role.SOURCE) if getattr(step, role.value) is not None}
    return tuple(role for role in Role if role in used)


def _inabilities(recipe: Recipe, bench: BenchFile, chosen: Selection, periods: Periods) -> Iterator[BenchFault]:
    """What instruments or ceilings cannot give, each fault with the measurement that wants it, and once."""
    ceilings = {role: bench.instruments[name].ceilings for role, name in chosen.names.items()}
    needed = None if recipe.needs is None else recipe.needs.digitizer
    bandwidth = None if needed is None else needed.bandwidth
    seen: set[str] = set()
    for measurement in recipe:
        for fault in _of_measurement(measurement, chosen, ceilings, bandwidth, periods):
            if fault.what not in seen:
                seen.add(fault.what)
                what = f"{measurement.label}: {fault.what}"
                yield BenchFault(what, where=fault.where, expected=fault.expected, do=fault.do)


def _of_measurement(
    measurement: Measurement,
    chosen: Selection,
    ceilings: Mapping[Role, Mapping[str, float]],
    bandwidth: Stated | None,
    periods: Periods,
) -> Iterator[BenchFault]:
    profiles = chosen.profiles
    if Role.DIGITIZER in profiles:
        goal = wanted(measurement, attenuations=chosen.attenuations)
        yield from digitizer_faults(
            profiles[Role.DIGITIZER],
            goal.setup,
            bandwidth=0.0 if bandwidth is None else float(bandwidth),
            places=_places(measurement, bandwidth),
            has_timebase=goal.cycles is None,
        )
    for step in measurement.stimulus:
        if step.supply is not None and Role.SUPPLY in profiles:
            setup_of_supply = supply_setup(step.supply)
            for fault in supply_faults(profiles[Role.SUPPLY], setup_of_supply, ceilings=ceilings[Role.SUPPLY]):
                yield _at_setting(fault, step.supply)
        if step.source is not None and Role.SOURCE in profiles:
            yield from _of_source(step.source, profiles[Role.SOURCE], ceilings[Role.SOURCE], periods)
    for one in measurement.meterings:
        yield from _of_reading(one, profiles)


def _at_setting(fault: BenchFault, step: SupplyStep) -> BenchFault:
    """The fault of a step of the supply, at the place of the setting that it names."""
    name = fault.what.split("`")[1] if fault.what.startswith("`") else ""
    stated = getattr(step, name, None)
    where = stated.place if isinstance(stated, Stated) else None
    return BenchFault(fault.what, where=fault.where or where or "", expected=fault.expected, do=fault.do)


def _of_reading(wanted: Metering, profiles: Mapping[Role, Profile]) -> Iterator[BenchFault]:
    """What the meter or the supply does not measure."""
    profile = profiles.get(Role(wanted.by.value))
    if profile is None:
        return
    try:
        if wanted.by is Reader.METER:
            meter_messages(profile, meter_setup(wanted))
        else:
            supply_questions(profile, wanted.quantity)
    except Misuse as fault:
        yield BenchFault(
            f"`{wanted.name}`: {fault.what}", where=wanted.place or "", expected=fault.expected, do=fault.do
        )


def _places(measurement: Measurement, bandwidth: Stated | None) -> dict[str, Place]:
    """Where the recipe says what a digitizer may be unable to do, by what `digitizer_faults` calls it."""
    timebase = measurement.timebase
    stated = {
        "bandwidth": bandwidth,
        "timebase.interval": timebase.rate or timebase.span,
        "timebase.points": timebase.span,
        **{f"{name}.range": channel.range for name, channel in measurement.channels.items()},
    }
    return {key: one.place for key, one in stated.items() if isinstance(one, Stated) and one.place is not None}


def _of_source(
    step: SourceStep, profile: Profile, ceilings: Mapping[str, float], periods: Periods
) -> Iterator[BenchFault]:
    """What the source cannot give, at the place of the stored waveform if it plays one: the level may be its own."""
    where = "" if step.waveform is None else step.waveform.place or ""
    setup = source_setup(step, periods)
    for fault in source_faults(profile, setup, ceilings=ceilings):
        yield BenchFault(fault.what, where=where, expected=fault.expected, do=fault.do)
    try:
        source_messages(profile, setup)
    except Misuse as fault:
        yield BenchFault(f"the source: {fault.what}", where=where, expected=fault.expected, do=fault.do)


def _absent(role: Role, bench: BenchFile) -> BenchFault:
    there = [f"{name} ({bench.profiles[name].role})" for name in bench.instruments]
    several = [name for name in bench.instruments if bench.profiles[name].role is role]
    if several:
        return BenchFault(
            f"the bench has several with the role {role}: {', '.join(several)}",
            expected=f"one of them to be named `{role}`",
        )
    return BenchFault(f"the bench has no {role}", expected=f"one beside {', '.join(there) or 'nothing'}")


def _joined(faults: list[BenchFault], bench: BenchFile) -> BenchFault:
    """One error for all of them."""
    if len(faults) == 1:
        only = faults[0]
        return BenchFault(only.what, where=only.where or bench.path, expected=only.expected, do=only.do)
    listed = "".join(f"\n- {WavewrightError.__str__(fault)}" for fault in faults)
    return BenchFault(f"the bench cannot do {len(faults)} things that the recipe wants{listed}", where=bench.path)
