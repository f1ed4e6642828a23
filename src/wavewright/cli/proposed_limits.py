"""Limits proposed from shots: the tolerance interval of what a good unit reads, with a comment that says so."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.analysis.reading import Reading
    from wavewright.cli.desk import Desk
    from wavewright.instruments.bench_file import BenchFile
    from wavewright.running.draft import Draft, ProposedLimit
    from wavewright.running.first_look import InputLook

SHARE, CONFIDENCE = 0.999, 0.95
LEAST_CODES = 12.0  # that the interval of a level is wide
LEAST_RESOLVED = 1e-6  # of a value: a tolerance interval is not drawn narrower


def proposed_limits(
    written: Draft,
    there: BenchFile,
    inputs: Sequence[InputLook],
    target: Path,
    *,
    shots: int,
    desk: Desk,
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
    from wavewright.logbook.kept_run import addresses
    from wavewright.recipe.load import parse_recipe
    from wavewright.running.bench_lock import bench_lock
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
    steps = {one.name: abs(one.wave.gain) for one in inputs}
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


def proposed_limit(readings: Sequence[Reading], side: str, *, step: float = 0.0) -> ProposedLimit | None:
    """The tolerance interval of some readings as a limit; None where they say too little.

    What a record leaves open of each reading is added to the scatter between them: readings that are alike by chance
    do not make a limit that the next one misses.

    Parameters
    ----------
    step : what a code stands for, in the readings' unit: no interval is drawn narrower than the codes resolve.
    """
    from wavewright.judgement.judge import judge
    from wavewright.judgement.limits import Limit
    from wavewright.judgement.verdict import Verdict
    from wavewright.logbook.studies.tolerance import one_sided_factor, two_sided_factor
    from wavewright.quantities import read_interval, show_quantity
    from wavewright.running.draft import ProposedLimit

    values = [one.value for one in readings if one.value is not None and math.isfinite(one.value)]
    if len(values) < max(len(readings), 5) or any(found.decides for one in readings for found in one.doubted):
        return None
    unit, count = readings[0].unit, len(values)
    mean = sum(values) / count
    scatter = math.sqrt(sum((value - mean) ** 2 for value in values) / (count - 1))
    stated = max((one.uncertainty or 0.0 for one in readings), default=0.0)
    spread = max(math.hypot(scatter, stated), LEAST_RESOLVED * abs(mean))
    factor = (two_sided_factor if side == "both" else one_sided_factor)(count, SHARE, CONFIDENCE)
    reach = max(factor * spread, LEAST_CODES * step / 2)
    low, high = mean - reach, mean + reach

    def shown(value: float) -> str:
        return show_quantity(value, unit, resolution=spread / 10 or None)

    limit = {"both": f"{shown(low)} .. {shown(high)}", "upper": f"at most {shown(high)}"}.get(
        side, f"at least {shown(low)}"
    )
    comment = (
        f"{count} shots: mean {shown(mean)}, standard deviation {show_quantity(spread, unit)}; "
        f"{100 * SHARE:g} % of such readings, {100 * CONFIDENCE:g} % confidence"
    )
    # a limit that the shots themselves do not surely pass is none: a doubt may put it within reach
    judged = judge(readings, Limit(read_interval(limit, unit=unit), limit))
    return ProposedLimit(limit, comment) if judged.verdict is Verdict.PASS else None


class _SamePlace:
    """Nobody is asked again: the probes are where they were a moment ago."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say

    def confirm(self, text: str) -> None:
        """The place of the probes, once more."""

    def say(self, text: str) -> None:
        """What the operator should know."""
        self._say(text)
