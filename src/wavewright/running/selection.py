"""Which instruments of a bench a recipe uses, and whether they can do what it needs, before anything is sent."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from wavewright.errors import BenchFault, Misuse, Place, WavewrightError
from wavewright.grammar.quantity_fields import StatedQuantity
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.digitizer_setup import digitizer_faults
from wavewright.instruments.meter import meter_messages
from wavewright.instruments.profile import Profile
from wavewright.instruments.source import as_played, source_faults, source_messages
from wavewright.instruments.supply import supply_faults, supply_queries
from wavewright.instruments.vocabulary import Role
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.metering import Metering, Reader
from wavewright.recipe.recipe import Recipe
from wavewright.recipe.stimulus import SourceStep, SupplyStep
from wavewright.running.instrument_settings import meter_setup, requested_setup, source_setup, supply_setup
from wavewright.running.stored_waveforms import NOTHING_STORED, PlayedWaveforms


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


def select(
    recipe: Recipe,
    bench: BenchFile,
    *,
    instruments: Mapping[str, str] = MappingProxyType({}),
    played: PlayedWaveforms = NOTHING_STORED,
) -> Selection:
    """The instruments that a recipe uses.

    Where the bench has several with one role, the recipe (`needs: {digitizer: {instrument: NAME}}`) or the run says
    which: it is never guessed.

    Parameters
    ----------
    instruments : names in the bench file by role, before what the recipe says.
    played : the stored waveforms that the source is to play.

    Raises
    ------
    BenchFault : all that the bench lacks or forbids.
    Misuse : `instruments` names no role that the recipe uses.
    """
    faults: list[BenchFault] = []
    names: dict[Role, str] = {}
    roles = roles_of(recipe)
    if strange := [role for role in instruments if role not in roles]:
        raise Misuse(f"the recipe uses no {strange[0]}", expected=f"one of {', '.join(roles)}")
    for role in roles:
        try:
            names[role] = _name(role, recipe, bench, instruments)
        except BenchFault as fault:
            faults.append(fault)
    profiles = {role: bench.profiles[name] for role, name in names.items()}
    if "prompts" in bench.profiles:
        profiles[Role.DISPLAY] = bench.profiles["prompts"]
    attenuations = {number: probe.attenuation for number, probe in bench.probes.items()}
    chosen = Selection(names, profiles, attenuations)
    faults.extend(_inabilities(recipe, bench, chosen, played))
    if faults:
        raise joined_faults(faults, f"the bench lacks {len(faults)} capabilities that the recipe needs", bench.path)
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


def _inabilities(recipe: Recipe, bench: BenchFile, chosen: Selection, played: PlayedWaveforms) -> Iterator[BenchFault]:
    """What instruments or ceilings cannot give, each fault with the measurement that needs it, and once."""
    ceilings = {role: bench.instruments[name].ceilings for role, name in chosen.names.items()}
    needed = None if recipe.needs is None else recipe.needs.digitizer
    bandwidth = None if needed is None else needed.bandwidth
    seen: set[str] = set()
    for measurement in recipe:
        for fault in _of_measurement(measurement, chosen, ceilings, bandwidth, played):
            if fault.what not in seen:
                seen.add(fault.what)
                what = f"{measurement.label}: {fault.what}"
                yield BenchFault(what, where=fault.where or measurement.stands_at, expected=fault.expected, do=fault.do)


def _of_measurement(
    measurement: Measurement,
    chosen: Selection,
    ceilings: Mapping[Role, Mapping[str, float]],
    bandwidth: StatedQuantity | None,
    played: PlayedWaveforms,
) -> Iterator[BenchFault]:
    profiles = chosen.profiles
    if Role.DIGITIZER in profiles:
        goal = requested_setup(measurement, attenuations=chosen.attenuations)
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
            yield from _of_source(step.source, profiles[Role.SOURCE], ceilings[Role.SOURCE], played)
    for one in measurement.meterings:
        yield from _of_reading(one, profiles)


def _at_setting(fault: BenchFault, step: SupplyStep | SourceStep) -> BenchFault:
    """The fault of a step, at the place of the setting that it names."""
    name = fault.what.split("`")[1].partition(" ")[0] if fault.what.startswith("`") else ""
    stated = getattr(step, name, None)
    where = stated.place if isinstance(stated, StatedQuantity) else None
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
            supply_queries(profile, wanted.quantity)
    except Misuse as fault:
        yield BenchFault(
            f"`{wanted.name}`: {fault.what}", where=wanted.place or "", expected=fault.expected, do=fault.do
        )


def _places(measurement: Measurement, bandwidth: StatedQuantity | None) -> dict[str, Place]:
    """Where the recipe says what a digitizer may be unable to do, by what `digitizer_faults` calls it."""
    timebase = measurement.timebase
    stated = {
        "bandwidth": bandwidth,
        "timebase.interval": timebase.rate or timebase.span,
        "timebase.points": timebase.span,
        **{f"{name}.range": channel.range for name, channel in measurement.channels.items()},
    }
    return {key: one.place for key, one in stated.items() if isinstance(one, StatedQuantity) and one.place is not None}


def _of_source(
    step: SourceStep, profile: Profile, ceilings: Mapping[str, float], played: PlayedWaveforms
) -> Iterator[BenchFault]:
    """What the source cannot give, at the place of the stored waveform if it plays one: the level may be its own."""
    where = "" if step.waveform is None else step.waveform.place or ""
    setup = as_played(profile, source_setup(step, played))
    for fault in source_faults(profile, setup, ceilings=ceilings):
        yield _at_setting(BenchFault(fault.what, where=where, expected=fault.expected, do=fault.do), step)
    try:
        source_messages(profile, setup)
    except Misuse as fault:
        yield BenchFault(f"the source: {fault.what}", where=where, expected=fault.expected, do=fault.do)


def _name(role: Role, recipe: Recipe, bench: BenchFile, instruments: Mapping[str, str]) -> str:
    """The instrument of the bench that takes a role; raises BenchFault as `instrument_in_role`."""
    needs = None if recipe.needs is None else getattr(recipe.needs, role.value, None)
    in_recipe = None if needs is None else needs.instrument
    if role in instruments or in_recipe is None:
        return instrument_in_role(role, bench, named=instruments.get(role), beside="the recipe, or the run,")
    return instrument_in_role(role, bench, named=str(in_recipe), where=in_recipe.place or "")


def instrument_in_role(
    role: Role, bench: BenchFile, *, named: str | None = None, where: Place | str = "", beside: str = ""
) -> str:
    """The instrument of a bench that takes a role.

    Parameters
    ----------
    named : by whoever asks, None: the only one. `where` : of the message.
    beside : who can say which, where a recipe can; empty where the command line alone can.

    Raises
    ------
    BenchFault : there is none, several could take it and nobody says which, or the one that is named has another role.
    """
    there = bench.names_of_role(role)
    listed = ", ".join(there)
    if named is not None:
        if named in there:
            return named
        is_other = named in bench.instruments
        raise BenchFault(
            f"`{named}` is a {bench.profiles[named].role}" if is_other else f"the bench has no `{named}`",
            where=where,
            expected=f"one of {listed} as the {role}" if there else f"a {role}",
        )
    if len(there) > 1:
        run = f"run with `--instrument {role}={there[0]}`"
        raise BenchFault(
            f"the bench has several with the role {role}: {listed}",
            where=where,
            expected=f"{beside or 'the command line'} to say which",
            do=f"write `needs: {{{role}: {{instrument: {there[0]}}}}}` into the recipe, or {run}" if beside else run,
        )
    if not there:
        others = ", ".join(f"{name} ({bench.profiles[name].role})" for name in bench.instruments)
        raise BenchFault(f"the bench has no {role}", where=where, expected=f"one beside {others or 'nothing'}")
    return there[0]


def joined_faults(faults: Sequence[BenchFault], what: str, where: str) -> BenchFault:
    """One error for all; `what` says what they have in common, `where` is the file of those without a place."""
    if len(faults) == 1:
        only = faults[0]
        return BenchFault(only.what, where=only.where or where, expected=only.expected, do=only.do)
    listed = "".join(f"\n- {WavewrightError.__str__(fault)}" for fault in faults)
    joined = BenchFault(f"{what}{listed}", where=where)
    joined.faults = tuple(faults)
    return joined
