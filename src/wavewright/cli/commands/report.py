"""`wavewright report`: one run, or many, as a file for others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.chosen_run import chosen_run
from wavewright.cli.completion import complete_run
from wavewright.cli.options import CapturesAt, LogbookAt
from wavewright.cli.picture_option import PictureAt, show_outcome_pictures
from wavewright.cli.run_filter import WithSimulated, real_runs, run_filter, with_run_filter
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.logbook.queries import Filter
    from wavewright.running.outcome import Outcome

TITLES = {
    "html": "HTML",
    "junit": "JUnit XML",
    "markdown": "Markdown",
    "svg": "SVG",
    "png": "PNG",
}  # of formats, in words


@with_run_filter
def report(
    runs: Annotated[
        list[str] | None,
        typer.Argument(
            help="Id of a run, its beginning, `last`, or an evidence folder; several make a batch report. `last`, or "
            "nothing: the newest run that matches the filters.",
            autocompletion=complete_run,
        ),
    ] = None,
    *,
    out: Annotated[Path | None, typer.Option(help="The file; its extension selects the format.")] = None,
    picture: PictureAt = None,
    kind: Annotated[
        str | None, typer.Option("--format", help="The format, where the file extension does not give it.")
    ] = None,
    measurement: Annotated[
        str | None, typer.Option(help="Only this measurement, by name, or by name and condition.")
    ] = None,
    batch: Annotated[bool, typer.Option("--batch", help="A batch report of the runs that match the filters.")] = False,
    reports: Annotated[
        Path | None,
        typer.Option(help="Folder for the report of each run of a batch; the page leads to them then."),
    ] = None,
    which: Filter,
    simulated: WithSimulated = False,
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
) -> int:
    """Write the report of a run, or of a batch of runs.

    That of a run is HTML, JUnit XML or Markdown, or SVG or PNG for the pictures of one measurement; that of a batch is
    HTML or JUnit XML. Exit status 0 when it is written, whatever the verdict of the run.
    """
    from wavewright.reporting.catalogue import write_report

    if out is None and picture is None:
        raise Misuse("no file to write", expected="`--out FILE`, or `--picture terminal`")
    if batch or len(runs or ()) > 1:
        if out is None or picture is not None:
            raise Misuse("a batch has no single picture", expected="`--out FILE`", do="`--picture` draws one run")
        from wavewright.logbook.book import Logbook
        from wavewright.reporting.batch import write_batch_report

        with Logbook.existing(logbook, captures=captures) as book:
            which = which if runs else real_runs(book, which, simulated=simulated)
            count = write_batch_report(book, out, which, ids=runs or None, reports=reports)
        print(f"wrote {out} (batch report, {count} runs)")
        return 0
    if not runs and which == run_filter():
        raise Misuse("no run given", expected="a run, filters that match one, or `--batch`")
    run = _newest(which, logbook) if not runs or (runs == ["last"] and which != run_filter()) else runs[0]
    if runs and runs != ["last"] and which != run_filter():
        raise Misuse(f"`{runs[0]}` names one run, and filters are given too", expected="a run, or filters")
    outcome = _narrowed(chosen_run(run, logbook, captures), measurement)
    if out is not None:
        known = write_report(outcome, out, kind=kind)
        print(f"wrote {out} ({TITLES.get(known.name, known.name)} report)")
    if picture is not None:
        show_outcome_pictures(outcome, picture)
    return 0


def _newest(which: Filter, logbook: str | None) -> str:
    """The id of the newest run that matches the filters."""
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.queries import entries

    with Logbook.existing(logbook) as book:
        found = entries(book, which, most=1)
    if not found:
        raise Misuse("no run matches the filters", do="`wavewright logbook list` shows what there is")
    return found[0].id


def _narrowed(outcome: Outcome, measurement: str | None) -> Outcome:
    """The outcome with one of its measurements alone."""
    if measurement is None:
        return outcome
    kept = tuple(one for one in outcome.measurements if measurement in (one.name, one.label))
    if not kept:
        known = ", ".join(f"`{one.label}`" for one in outcome.measurements)
        raise Misuse(f"no measurement `{measurement}` in the run", expected=f"one of {known}")
    return replace(outcome, measurements=kept)
