"""Fitness of a recipe on a bench: every limit held against what the set-up can tell, before the first message.

A pure function of recipe, profiles and bench file. What the run finds out by itself (an automatic range or time base)
is left out, and so are limits on frames: what is on a line is examined when it is there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType

from wavewright.errors import BenchFault
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.vocabulary import Role
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.running.fitness.expected_uncertainty import uncertainty, uncertainty_of_metering
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.limited_reading import LimitedReading, limited_readings
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
        for one in _of_measurement(measurement, bench, chosen):
            found.setdefault((measurement.name, one.name, one.rule, one.what), one)
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


def _of_measurement(measurement: Measurement, bench: BenchFile, chosen: Selection) -> Iterator[FitnessFinding]:
    goal, profiles = requested_setup(measurement, attenuations=chosen.attenuations), chosen.profiles
    for reading in limited_readings(measurement, goal, bench, profiles[Role.DIGITIZER]):
        for examination in EXAMINATIONS:
            for one in examination(reading):
                yield replace(one, label=reading.label, name=reading.name, place=reading.place)
    for wanted in measurement.meterings:
        for one in uncertainty_of_metering(wanted, profiles[Role(wanted.by.value)], measurement.rule_of(wanted)):
            yield replace(one, label=measurement.label, name=wanted.name, place=wanted.place)
