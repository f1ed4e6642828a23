"""`wavewright recompute`: the readings again from the stored codes."""

from __future__ import annotations

import os
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.completion import complete_recipe, complete_run
from wavewright.cli.options import CapturesAt, LogbookAt
from wavewright.cli.output import AsJson, console, print_json
from wavewright.cli.run_filter import BatchName, Operator, Part, Since, Station, Until, Where, run_filter
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.logbook.queries import Filter
    from wavewright.logbook.recompute import Difference, Recomputed
    from wavewright.running.result import Result


def recompute(
    run: Annotated[
        str | None,
        typer.Argument(help="Id of a run, its beginning, `last`, or an evidence folder.", autocompletion=complete_run),
    ] = None,
    *,
    every: Annotated[bool, typer.Option("--all", help="Every run of the logbook.")] = False,
    batch_name: BatchName = None,
    part: Part = None,
    station: Station = None,
    operator: Operator = None,
    since: Since = None,
    until: Until = None,
    where: Where = None,
    recipe: Annotated[
        Path | None,
        typer.Option(
            help="Another recipe: new limits, metrics or levels; the run's own if left out.",
            autocompletion=complete_recipe,
        ),
    ] = None,
    jobs: Annotated[int, typer.Option(min=1, help="Number of parallel processes.")] = os.cpu_count() or 1,
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
    as_json: AsJson = False,
) -> int:
    """Compute the readings again from the stored codes.

    No instrument is needed. Exit status 0 if all are the same to the last bit, 1 if some are not, 3 if some cannot be
    computed.
    """
    if (run is None) == (not every):
        raise Misuse(
            "neither or both of a run and --all", expected="`wavewright recompute RUN`, or `wavewright recompute --all`"
        )
    which = run_filter(
        part=part, station=station, operator=operator, batch=batch_name, since=since, until=until, where=where
    )
    if run is not None and which != run_filter():
        raise Misuse("a run and filters", expected="`--all` with filters, or a run without")
    found = _recomputed(run, recipe, jobs=jobs, logbook=logbook, captures=captures, which=which)
    if as_json:
        print_json([_as_json(one) for one in found])
    else:
        _print(found)
    return 3 if any(one.error for one in found) else 0 if all(one.is_same for one in found) else 1


def _recomputed(
    run: str | None, recipe: Path | None, *, jobs: int, logbook: str | None, captures: str | None, which: Filter
) -> list[Recomputed]:
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.outcome_files import read_outcome
    from wavewright.logbook.queries import entries
    from wavewright.logbook.recompute import recipe_of, recompute, recompute_runs
    from wavewright.running.shipped_files import find_file

    path = find_file(recipe) if recipe is not None else None
    if run is not None and Path(run).is_dir():
        outcome = read_outcome(Path(run))
        return [recompute(outcome, recipe_of(path, outcome), run=run)]
    with Logbook.existing(logbook, captures=captures) as book:
        if run is not None:
            outcome = book.outcome(run)
            return [recompute(outcome, recipe_of(path, outcome), run=outcome.id)]
        runs = [entry.id for entry in reversed(entries(book, which))]
    from wavewright.cli.progress_bar import ProgressBar

    found: list[Recomputed] = []
    computed = recompute_runs(logbook, runs, path, captures=captures, jobs=min(jobs, max(1, len(runs))))
    with ProgressBar(console(stderr=True), "runs") as bar, closing(computed):
        bar.update("recomputing", 0, len(runs))
        for one in computed:
            found.append(one)
            bar.update("recomputing", len(found), len(runs))
    return found


def _print(found: list[Recomputed]) -> None:
    from wavewright.reporting.console_table import console_table

    shown = console()
    for one in found:
        if one.error:
            shown.print(f"{one.run}: {one.error}", markup=False)
        elif one.is_same and len(found) == 1:
            count = 0 if one.outcome is None else len(one.outcome.results)
            shown.print(f"{one.run}: the same to the last bit, {count} readings", markup=False)
        elif not one.is_same:
            table = console_table(("characteristic", "was", "is now", "limit now", "verdict", "why"))
            for difference in one.differences:
                table.add_row(*_cells(difference))
            shown.print(f"{one.run}:", markup=False)
            shown.print(table)
    if len(found) != 1:
        same = sum(one.is_same for one in found)
        wrong = sum(bool(one.error) for one in found)
        judged = sum(one.has_same_readings for one in found) - same
        turned = sum(any("other verdict" in each.why for each in one.differences) for one in found)
        under = f"{judged} the same readings under other limits, " if judged else ""
        shown.print(
            f"{len(found)} runs: {same} the same, {under}{len(found) - same - judged - wrong} different, "
            f"{wrong} not computed; {turned} with another verdict",
            soft_wrap=True,
        )


def _cells(difference: Difference) -> tuple[str, ...]:
    was, now = difference.was, difference.now
    limit = "" if now is None else f"{now.limit}, {now.rule}" if now.is_guarded else now.limit
    verdicts = " → ".join(dict.fromkeys(_verdict(one) for one in (was, now)))
    return difference.name, _value(was), _value(now), limit, verdicts, difference.why


def _value(result: Result | None) -> str:
    from wavewright.running.readings_table import NOTHING, shown_value

    return NOTHING if result is None else shown_value(result)


def _verdict(result: Result | None) -> str:
    from wavewright.running.readings_table import NOTHING, shown_verdict

    return NOTHING if result is None else shown_verdict(result.verdict)


def _as_json(one: Recomputed) -> dict[str, Any]:
    def plain(result: Result | None) -> dict[str, Any] | None:
        if result is None:
            return None
        verdict = None if result.verdict is None else str(result.verdict)
        judged = {"limit": result.limit, "rule": result.rule, "verdict": verdict, "conformance": result.conformance}
        return {"reading": result.reading.as_json(), **judged}

    differences = [
        {"name": each.name, "was": plain(each.was), "now": plain(each.now), "why": each.why} for each in one.differences
    ]
    return {"run": one.run, "same": one.is_same, "differences": differences, "error": one.error}
