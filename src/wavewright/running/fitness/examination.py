"""Fitness of a recipe on a bench: every limit held against what the set-up can tell, before the first message.

A pure function of recipe, profiles and bench file. What the run finds out by itself (an automatic range or time base)
is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType

from wavewright.errors import BenchFault, Place
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.profile import Profile
from wavewright.instruments.setups import TimebaseSetup
from wavewright.instruments.vocabulary import Role
from wavewright.recipe.comparison import Comparison
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.running.fitness.comparisons import ComparedWaveforms, comparison_fitness
from wavewright.running.fitness.expected_uncertainty import uncertainty, uncertainty_of_metering
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.limited_reading import (
    ChannelInUse,
    LimitedReading,
    channels_in_use,
    limited_readings,
)
from wavewright.running.fitness.line_limits import (
    between_edges,
    frames_wanted,
    limits_on,
    line_readings,
    within_record,
)
from wavewright.running.fitness.lines import frames_fitness, line_in_use
from wavewright.running.fitness.rare_shots import persistence_fitness
from wavewright.running.fitness.times import alias, edge_samples, record_length, sampling, setup_speed
from wavewright.running.fitness.voltages import codes, coupling, droop, input_noise, loading, reach
from wavewright.running.instrument_settings import requested_setup
from wavewright.running.selection import Selection, joined_faults, select
from wavewright.running.stored_waveforms import ReadStored, read_played

EXAMINATIONS: tuple[Callable[[LimitedReading], Iterable[FitnessFinding]], ...] = (
    reach,
    codes,
    input_noise,
    edge_samples,
    setup_speed,
    record_length,
    sampling,
    alias,
    coupling,
    droop,
    loading,
    uncertainty,
)
OF_LINES: tuple[Callable[[LimitedReading], Iterable[FitnessFinding]], ...] = (
    reach,
    codes,
    edge_samples,
    setup_speed,
    between_edges,
    within_record,
    uncertainty,
)


def fitness_on_bench(
    recipe: Recipe,
    bench: BenchFile,
    *,
    instruments: Mapping[str, str] = MappingProxyType({}),
    read_stored: ReadStored | None = None,
) -> tuple[FitnessFinding, ...]:
    """What speaks against a set-up, for every limit of a recipe on a bench; empty where all is well.

    Parameters
    ----------
    instruments : names in the bench file by role, where the bench has several.
    read_stored : reads a channel of a stored waveform that the source plays.

    Raises
    ------
    BenchFault : the bench lacks or forbids what the recipe needs.
    FileFault, Misuse : as in a run.
    """
    chosen = select(recipe, bench, instruments=instruments, played=read_played(recipe, read_stored))
    return fitness_of(recipe, bench, chosen)


def fitness_of(recipe: Recipe, bench: BenchFile, chosen: Selection) -> tuple[FitnessFinding, ...]:
    """What is found about the limits of a recipe, in the order of the recipe; what is the same under several conditions
    is told once, under the first.

    Parameters
    ----------
    chosen : the instruments that a run would use.
    """
    found: dict[tuple[object, ...], FitnessFinding] = {}
    for measurement in recipe:
        for one in _of_measurement(measurement, recipe, bench, chosen):
            found.setdefault((measurement.name, one.name, one.rule, one.what, one.cannot_decide), one)
    return tuple(found.values())


def require_fit(findings: Iterable[FitnessFinding], recipe: Recipe) -> None:
    """See that every limit can be decided, where the recipe requires that.

    Raises
    ------
    BenchFault : one cannot; nothing has been sent.
    """
    unfit = [one for one in findings if one.cannot_decide]
    if not recipe.requires_fitness or not unfit:
        return
    faults = [
        BenchFault(
            f"{one.label}.{one.name}: this set-up cannot decide the limit: {one.what}",
            where=one.place or recipe.path,
            expected=f"a set-up for which {one.rule.asks} ({one.rule.source})",
            do=one.rule.cure,
        )
        for one in unfit
    ]
    raise joined_faults(
        faults, f"the set-up cannot decide {len(faults)} limits, and the recipe requires it", recipe.path
    )


def _of_measurement(
    measurement: Measurement, recipe: Recipe, bench: BenchFile, chosen: Selection
) -> Iterator[FitnessFinding]:
    goal, profile = requested_setup(measurement, attenuations=chosen.attenuations), chosen.profiles[Role.DIGITIZER]
    for reading in limited_readings(measurement, goal, bench, profile):
        yield from _examined(reading, EXAMINATIONS)
    channels = channels_in_use(measurement, goal, bench, profile)
    timebase = None if goal.cycles else goal.setup.timebase
    yield from _of_lines(measurement, channels, timebase, profile)
    for wanted in measurement.meterings:
        for one in uncertainty_of_metering(wanted, chosen.profiles[Role(wanted.by.value)], measurement.rule_of(wanted)):
            yield replace(one, label=measurement.label, name=wanted.name, place=wanted.place)
    for comparison in measurement.compare.values():
        if comparison.of in channels:
            before = _compared_with(comparison, measurement, recipe, bench, chosen)
            pair = ComparedWaveforms(
                comparison, channels[comparison.of], before, timebase, measurement.rule_of(comparison)
            )
            for name, one in comparison_fitness(pair):
                yield replace(one, label=measurement.label, name=name, place=comparison.place)
    if measurement.persistence is not None:
        counted = channels.get(measurement.persistence.of or next(iter(measurement.channels)))
        where = measurement.stands_at if isinstance(measurement.stands_at, Place) else None
        for name, one in persistence_fitness(measurement, counted, timebase):
            yield replace(one, label=measurement.label, name=name, place=where)


def _of_lines(
    measurement: Measurement, channels: Mapping[str, ChannelInUse], timebase: TimebaseSetup | None, profile: Profile
) -> Iterator[FitnessFinding]:
    for decoding in measurement.decode.values():
        line = line_in_use(decoding, measurement, channels, timebase)
        if decoding.name in measurement.expect:
            for one in frames_fitness(line):
                yield replace(one, label=measurement.label, name=f"expect.{decoding.name}", place=decoding.place)
        for wanted in limits_on(measurement, decoding.name):
            for one in frames_fitness(line, frames=frames_wanted(wanted)):
                yield replace(one, label=measurement.label, name=wanted.name, place=wanted.place)
            for reading in line_readings(wanted, line, measurement, profile):
                yield from _examined(reading, OF_LINES)


def _examined(
    reading: LimitedReading, examinations: Iterable[Callable[[LimitedReading], Iterable[FitnessFinding]]]
) -> Iterator[FitnessFinding]:
    for examination in examinations:
        for one in examination(reading):
            yield replace(one, label=reading.label, name=reading.name, place=reading.place)


def _compared_with(
    comparison: Comparison, measurement: Measurement, recipe: Recipe, bench: BenchFile, chosen: Selection
) -> ChannelInUse | None:
    """The channel that a comparison refers to, under the same condition; None where it is in a file, or derived."""
    others = [one for one in recipe if one.name == comparison.measurement]
    other = next((one for one in others if one.condition == measurement.condition), next(iter(others), None))
    if other is None:
        return None
    goal = requested_setup(other, attenuations=chosen.attenuations)
    return channels_in_use(other, goal, bench, chosen.profiles[Role.DIGITIZER]).get(comparison.channel)
