"""Limits proposed from shots: the tolerance interval of what a good unit reads, with a comment that says so."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.cli.operator_terminal import OperatorTerminal
    from wavewright.instruments.bench_file import BenchFile
    from wavewright.running.draft import Draft, ProposedLimit
    from wavewright.running.first_look import InputLook


def proposed_limits(
    written: Draft,
    there: BenchFile,
    inputs: Sequence[InputLook],
    target: Path,
    *,
    shots: int,
    desk: OperatorTerminal,
    instruments: Mapping[str, str],
    seed: int | None = None,
    draw: int | None = None,
) -> dict[tuple[str, str], ProposedLimit]:
    """A limit for every reading of a draft that shots can propose one for, by measurement and reading.

    A reading without a number in some shot, or with a doubt that would stop a pass, gets none, and so is left out.

    Parameters
    ----------
    inputs : as they were examined, with the range that the draft sets.
    instruments : by role, where the bench has several.

    Raises
    ------
    NotMeasurable : no shots could be taken.
    """
    from wavewright.logbook.proposed_limit import code_step, proposed_limit
    from wavewright.recipe.load import parse_recipe
    from wavewright.running.bench_lock import addresses, bench_lock
    from wavewright.running.draft import entries_of
    from wavewright.running.run import run
    from wavewright.running.run_options import RunOptions

    entries = list(entries_of(written))
    if not entries:
        return {}
    trial = parse_recipe(written.text(trial_shots=shots), str(target))
    desk.say(f"taking {shots} shots to propose limits from")
    options = RunOptions(seed=seed, draw=draw, instruments=instruments, desk=_SamePlace(desk.say), progress=desk)
    with bench_lock(addresses(there), what="a draft", patience=options.patience, say=desk.say):
        outcome = run(trial, there, options)
    if outcome.error:
        raise NotMeasurable(f"the shots that limits are proposed from ended early: {outcome.error}")
    steps = {one.name: code_step(one.wave) for one in inputs}
    sides = {(name, reading.name): reading.side for name, reading in entries}
    found: dict[tuple[str, str], ProposedLimit] = {}
    for measurement in outcome.measurements:
        for result in measurement.results:
            side = sides.get((measurement.name, result.name), "")
            step = steps.get(result.of[0], 0.0) if result.reading.unit == "V" else 0.0
            proposed = proposed_limit(result.shots, side, step=step) if side else None
            if proposed is not None:
                found[measurement.name, result.name] = proposed
    return found


class _SamePlace:
    """Nobody is asked again: the probes are where they were a moment ago."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say

    def confirm(self, text: str) -> None:
        """The place of the probes, once more."""

    def say(self, text: str) -> None:
        """What the operator should know."""
        self._say(text)
