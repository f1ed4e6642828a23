"""`wavewright plan RECIPE`: what a run would do, without touching an instrument."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.bench_choice import chosen_bench
from wavewright.cli.completion import complete_recipe
from wavewright.cli.options import Bench, Instruments, Settings, read_instruments, read_settings
from wavewright.cli.output import AsJson, print_json
from wavewright.cli.quick_start import start_quickly

if TYPE_CHECKING:
    from wavewright.running.fitness.finding import FitnessFinding
    from wavewright.running.plan import Plan, PlannedStep


def plan(
    recipe: Annotated[Path, typer.Argument(help="The recipe.", autocompletion=complete_recipe)],
    *,
    bench: Bench = None,
    settings: Settings = None,
    instrument: Instruments = None,
    as_json: AsJson = False,
) -> None:
    """Print each step and message of a run without running it.

    No instrument is touched. What speaks against the set-up comes first, for each limit with the rule and the setting
    that mends it; the estimated time is printed too. Queries that read back or confirm a setting are left out; the
    wire log of a run has them.
    """
    start_quickly()
    from wavewright.instruments.bench_file import load_bench
    from wavewright.logbook.formats.catalogue import read_stored
    from wavewright.recipe.load import load_recipe
    from wavewright.running.fitness.examination import fitness_of
    from wavewright.running.plan import plan as plan_of
    from wavewright.running.selection import select
    from wavewright.running.shipped_files import find_file
    from wavewright.running.stored_waveforms import read_played

    wanted = load_recipe(find_file(recipe), set=read_settings(settings))
    played = read_played(wanted, read_stored)
    there = load_bench(chosen_bench(bench, recipe))
    chosen = select(wanted, there, instruments=read_instruments(instrument), played=played)
    made = plan_of(wanted, chosen.profiles, attenuations=chosen.attenuations, played=played)
    findings = fitness_of(wanted, there, chosen)
    if as_json:
        fitness = [one.as_json() for one in findings]
        print_json({**asdict(made), "seconds": made.seconds, "fitness": fitness})
    else:
        print(*_lines(made, findings), sep="\n")


def _lines(made: Plan, findings: Iterable[FitnessFinding]) -> Iterable[str]:
    from wavewright.quantities import show_quantity

    def about(seconds: float) -> str:
        return f"about {show_quantity(seconds, 's', resolution=seconds / 10)}" if seconds else ""

    yield f"{made.title}: {about(made.seconds)}, without the operator's time"
    yield from (f"CAUTION: {caution}" for caution in made.cautions)
    yield from (one.told for one in findings)
    for one in made.measurements:
        yield ""
        yield f"{one.label}: {about(one.seconds)}"
        yield from _steps(one.first, "  ")
        yield f"  for each of {one.shots} shots:" if one.shots > 1 else "  one shot:"
        yield from _steps(one.for_every_shot, "    ")
    yield ""
    yield "at the end, in any case:"
    yield from _steps(made.last, "  ")


def _steps(steps: Iterable[PlannedStep], indent: str) -> Iterable[str]:
    for step in steps:
        yield f"{indent}{step.purpose}"
        yield from (f"{indent}    {step.role:<10}{message}" for message in step.messages)
