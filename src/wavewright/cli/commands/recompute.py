"""`wavewright recompute`: the readings again from the stored codes."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.answering import Afresh, AnswersWanted, ClusterOf, TableAt, print_json_list
from wavewright.cli.completion import complete_recipe, complete_run
from wavewright.cli.options import CapturesAt, LogbookAt
from wavewright.cli.output import AsJson, console
from wavewright.cli.run_filter import BatchName, Operator, Part, Since, Station, Until, Where, run_filter
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.archive.answer import ItemAnswer
    from wavewright.archive.recomputed_runs import RecomputedRuns
    from wavewright.logbook.queries import Filter


def recompute(
    run: Annotated[
        str | None,
        typer.Argument(help="Id of a run, its beginning, `last`, or an evidence folder.", autocompletion=complete_run),
    ] = None,
    *,
    every: Annotated[
        bool, typer.Option("--all", help="Every run of the logbook, or every evidence folder in a folder.")
    ] = False,
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
    jobs: Annotated[
        int | None,
        typer.Option(
            min=1, help="Number of parallel processes, for several runs or the shots of one; one per core if left out."
        ),
    ] = None,
    cluster: ClusterOf = None,
    table: TableAt = None,
    afresh: Afresh = False,
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
    as_json: AsJson = False,
) -> int:
    """Compute the readings again from the stored codes.

    No instrument is needed. Exit status 0 if all are the same to the last bit, 1 if some are not, 3 if some cannot be
    computed. With --all, runs whose captures a rule of `logbook prune` took are counted apart, and are no fault.
    """
    folder = Path(run) if run is not None and every and Path(run).is_dir() else None
    if folder is None and (run is None) == (not every):
        raise Misuse(
            "neither or both of a run and --all", expected="`wavewright recompute RUN`, or `wavewright recompute --all`"
        )
    which = run_filter(
        part=part, station=station, operator=operator, batch_name=batch_name, since=since, until=until, where=where
    )
    if run is not None and which != run_filter():
        raise Misuse("a run and filters", expected="`--all` with filters, or a run without")
    if run is not None and not every and (cluster or table):
        raise Misuse("one run together with `--cluster` or `--table`", expected="`--all`")
    from wavewright.running.crew import core_count

    jobs = jobs or core_count()
    is_file = run is not None and Path(run).is_dir()
    query = _query(recipe, logbook=None if is_file else logbook, captures=captures, has_logbook=not is_file)
    if run is not None and not every:
        try:
            found = replace(query, cores=jobs).from_captures(str(Path(run).absolute()) if is_file else run)
        finally:
            query.close()
        return _tell([found], as_json=as_json, is_one=True)
    runs = _folders(folder) if folder is not None else _ids(which, logbook=logbook, captures=captures)
    answering = AnswersWanted(jobs, cluster, table, afresh, logbook)
    with answering.answers(query, runs, things="runs") as answers:
        return _tell(answers, as_json=as_json, is_kept=answering.is_kept)


def _query(recipe: Path | None, *, logbook: str | None, captures: str | None, has_logbook: bool) -> RecomputedRuns:
    """What is asked, with whole paths: a worker stands in another folder."""
    from wavewright.archive.recomputed_runs import RecomputedRuns
    from wavewright.grammar.located_yaml import read_text
    from wavewright.logbook.address import whole_address
    from wavewright.logbook.shared_store import VARIABLE
    from wavewright.running.shipped_files import find_file

    other = None
    if recipe is not None:
        path = find_file(recipe)
        other = read_text(path), str(path.absolute())
    store = captures or os.environ.get(VARIABLE) or None
    if store is not None and "://" not in store:
        store = str(Path(store).expanduser().absolute())
    return RecomputedRuns(whole_address(logbook) if has_logbook else "", store, other)


def _folders(folder: Path) -> list[str]:
    """The evidence folders in a folder, by name; Misuse if there are none."""
    from wavewright.logbook.outcome_files import OUTCOME

    found = sorted(str(path.parent.absolute()) for path in folder.glob(f"*/{OUTCOME}"))
    if not found:
        raise Misuse(f"{folder} has no evidence folders in it", expected=f"folders with {OUTCOME}, as runs write them")
    return found


def _ids(which: Filter, *, logbook: str | None, captures: str | None) -> list[str]:
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.queries import run_ids

    with Logbook.existing(logbook, captures=captures) as book:
        return run_ids(book, which)


@dataclass
class _Tally:
    """What came out, run by run."""

    runs: int = 0
    same: int = 0
    of_limits: int = 0
    faulty: int = 0
    turned: int = 0
    thinned: int = 0
    days: set[str] = field(default_factory=set)  # on which captures were thinned out
    statuses: set[int] = field(default_factory=set)

    def count(self, one: ItemAnswer) -> None:
        self.runs += 1
        self.statuses.add(one.status)
        if one.fault:
            self.faulty += 1
            return
        if (note := one.document.get("thinned_out")) is not None:
            self.thinned += 1
            self.days.add(note["at"][:10])
            return
        differences = one.document["differences"]
        self.same += not differences
        self.of_limits += bool(differences) and one.document["same_readings"]
        self.turned += any("other verdict" in each["why"] for each in differences)

    def __str__(self) -> str:
        without = f", {self._without_codes}" if self.thinned else ""
        if self.of_limits and self.same + self.of_limits + self.thinned == self.runs:
            return f"{self.runs} runs: same readings, {self.turned} other verdicts{without}"
        under = f"{self.of_limits} the same readings under other limits, " if self.of_limits else ""
        different = self.runs - self.same - self.of_limits - self.faulty - self.thinned
        return (
            f"{self.runs} runs: {self.same} the same, {under}{different} different, "
            f"{self.faulty} not computed{without}; {self.turned} with another verdict"
        )

    @property
    def _without_codes(self) -> str:
        days = f"on {min(self.days)}" if len(self.days) == 1 else f"from {min(self.days)} to {max(self.days)}"
        return f"{self.thinned} without their codes (thinned out {days})"


def _tell(answers: Iterable[ItemAnswer], *, as_json: bool, is_one: bool = False, is_kept: bool = False) -> int:
    """Print what was found, and return the exit status.

    Parameters
    ----------
    is_kept : a table has it all, so that differences are only counted.
    """
    from wavewright.archive.collecting import worst

    tally = _Tally()
    if as_json:
        print_json_list(map(_as_json, _counted(answers, tally)))
    else:
        shown = console()
        for one in _counted(answers, tally):
            _print(one, is_one=is_one, is_kept=is_kept)
        if not is_one:
            shown.print(str(tally), soft_wrap=True)
    return worst(tally.statuses)


def _counted(answers: Iterable[ItemAnswer], tally: _Tally) -> Iterator[ItemAnswer]:
    for one in answers:
        tally.count(one)
        yield one


def _print(one: ItemAnswer, *, is_one: bool, is_kept: bool) -> None:
    from wavewright.reporting.console_table import console_table

    shown = console()
    if one.fault:
        shown.print(f"{one.item}: {one.fault}", markup=False)
        return
    if "thinned_out" in one.document:
        return  # counted: there may be thousands
    differences: Sequence[Mapping[str, Any]] = one.document["differences"]
    if is_one and not differences:
        count = one.document["readings"]
        shown.print(f"{one.document['run']}: the same to the last bit, {count} readings", markup=False)
    elif differences and not is_kept:
        table = console_table(("characteristic", "was", "is now", "limit now", "verdict", "why"))
        for each in differences:
            cells = each["shown"]
            table.add_row(each["name"], cells["was"], cells["now"], cells["limit"], cells["verdict"], each["why"])
        shown.print(f"{one.document['run']}:", markup=False)
        shown.print(table)


def _as_json(one: ItemAnswer) -> dict[str, Any]:
    if one.fault:
        return {"run": one.item, "same": False, "differences": [], "error": one.fault}
    if (note := one.document.get("thinned_out")) is not None:
        return {"run": one.document["run"], "same": None, "differences": [], "error": "", "thinned_out": note}
    keys = ("name", "was", "now", "why")
    differences = [{key: each[key] for key in keys} for each in one.document["differences"]]
    return {
        "run": one.document["run"],
        "same": not differences,
        "differences": differences,
        "error": "",
        "readings_sha256": one.document["readings_sha256"],
    }
