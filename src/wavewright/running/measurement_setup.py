"""The set-up of one measurement: known state, probes placed, settings found, set and read back, facts learnt."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from wavewright.instruments.setups import DigitizerSetup
from wavewright.instruments.spent_time import TimePart
from wavewright.instruments.vocabulary import Role
from wavewright.recipe.measurement import Measurement
from wavewright.running.alias_check import look_for_aliases
from wavewright.running.automatic_settings import FoundSettings, find_settings
from wavewright.running.input_accuracy import accuracy_facts, input_accuracy
from wavewright.running.input_facts import Fact, doubt_facts, input_facts, input_path
from wavewright.running.instrument_settings import SettingsRecord, configure, requested_setup
from wavewright.running.probe_placing import asks_person, place_probes
from wavewright.running.result import Setting
from wavewright.running.run_context import RunContext
from wavewright.running.stimulation import stimulate


def is_alone() -> None:
    """There is no measurement before, or it has ended."""


def prepare_measurement(
    measurement: Measurement,
    context: RunContext,
    record: SettingsRecord,
    *,
    is_placed: bool = False,
    alone: Callable[[], None] = is_alone,
) -> FoundSettings:
    """Known state, probes placed, settings found, set and read back: after it the first shot can be taken.

    Parameters and errors are those of `measuring`.
    """
    bench, goal = context.bench, requested_setup(measurement, attenuations=context.attenuations)
    context.progress.step("bringing the bench to a known state")
    bench.reset()
    if measurement.stimulus or asks_person(measurement, is_placed=is_placed):
        alone()
    place_probes(measurement, goal.setup, context, is_placed=is_placed)
    found = FoundSettings(goal.setup, ())
    if goal.is_automatic:
        stimulate(measurement.stimulus, context, record)
        with context.times.on(TimePart.EVALUATION):  # of trial records; what is exchanged for them is counted as such
            found = find_settings(goal, bench.digitizer, step=context.progress.step)
    context.progress.step("setting the digitizer")
    configure(bench.digitizer, found.setup, record)
    if measurement.trigger.mode == "auto" and not goal.is_automatic:
        stimulate(measurement.stimulus, context, record)
    _learn_facts(measurement, found, context, record)
    alone()
    return replace(found, trial=None)


def prepare_again(measurement: Measurement, context: RunContext, record: SettingsRecord) -> None:
    """As `prepare_measurement`, on a bench that is prepared for a measurement with the same probes and stimulus.

    For a measurement that finds nothing by itself. Outputs stay as they are, and of the digitizer only what has changed
    is set anew; all of it is read back. Errors are those of `measuring`.
    """
    setup = requested_setup(measurement, attenuations=context.attenuations).setup
    context.progress.step("setting the digitizer")
    configure(context.bench.digitizer, setup, record, only_changed=True)
    _learn_facts(measurement, FoundSettings(setup, ()), context, record)


def _learn_facts(measurement: Measurement, found: FoundSettings, context: RunContext, record: SettingsRecord) -> None:
    """Take what is stated of each input into the record, and what a second look at a higher rate shows."""
    digitizer, setup, step = context.bench.digitizer, found.setup, context.progress.step
    record.facts |= _facts(measurement, setup, record.used, context)
    if measurement.trigger.mode == "auto" or not measurement.stimulus:
        known = {**record.used, **record.facts}
        with context.times.on(TimePart.EVALUATION):
            seen = look_for_aliases(measurement, setup, known, digitizer, trial=found.trial, step=step)
        if seen is not None:
            record.facts |= seen
        if digitizer.is_on_trial:  # a record was taken for it
            configure(digitizer, setup, record)


def _facts(
    measurement: Measurement, setup: DigitizerSetup, used: Mapping[str, Setting], context: RunContext
) -> dict[str, Fact]:
    """What bench, profile and recipe state about each input and of the other instruments: kept with every shot."""
    bench, facts = context.bench, dict[str, Fact]()
    standing = context.standing(Role.DIGITIZER)
    for name, channel in measurement.channels.items():
        path = input_path(
            channel, bench.file, bench.digitizer.profile, attenuation=setup.inputs[name].attenuation, settings=used
        )
        facts |= input_facts(path, used, standing)
        width = used.get(f"input{channel.input}.range")
        facts |= accuracy_facts(
            f"input{channel.input}",
            input_accuracy(path, used, instrument=Role.DIGITIZER),
            full_scale=float(width) if isinstance(width, int | float) else None,
        )
    for role in {Role(one.by.value) for one in measurement.meterings}:
        facts |= doubt_facts(role, context.standing(role))
    return facts
