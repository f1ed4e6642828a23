"""The stimulus of a measurement on the bench: supply and source set and switched, and the waits between."""

from __future__ import annotations

from collections.abc import Sequence

from wavewright.instruments.profile import Assignment
from wavewright.instruments.source import as_played, source_assignments
from wavewright.instruments.supply import supply_assignments
from wavewright.recipe.stimulus import StimulusStep
from wavewright.running.instrument_settings import SettingsRecord, source_setup, supply_setup
from wavewright.running.run_context import RunContext


def stimulate(steps: Sequence[StimulusStep], context: RunContext, record: SettingsRecord, *, number: int = 1) -> None:
    """Step after step, each read back.

    Parameters
    ----------
    record : takes in what was requested and what is set.
    number : that of the first one in the recipe's list.

    Raises
    ------
    BenchFault, Complaint, SetOtherwise, BadAnswer, NoAnswer, LinkLost, OutputMayBeOn
    """
    for count, step in enumerate(steps, number):
        context.check()
        if step.supply is not None:
            supply, setup = context.bench.supply, supply_setup(step.supply)
            asked = [*supply_assignments(setup), *_output(setup.output)]
            with record.keeping(asked, supply, head=f"step{count}.supply.") as used:
                used.update(supply.apply_setup(setup))
        if step.source is not None:
            source = context.bench.source
            signal = as_played(source.profile, source_setup(step.source, context.played))
            asked = [*source_assignments(signal), *_output(signal.output)]
            with record.keeping(asked, source, head=f"step{count}.source.") as used:
                used.update(source.apply_setup(signal))
        if step.then_wait is not None:
            context.pause(float(step.then_wait))


def _output(is_on: bool | None) -> tuple[Assignment, ...]:
    return () if is_on is None else (Assignment("output", is_on),)
