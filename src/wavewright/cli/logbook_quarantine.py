"""`wavewright logbook quarantine` and `release`: units set apart, and let go again with a reason."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.options import LogbookAt
from wavewright.cli.output import AsJson, console, print_json
from wavewright.cli.run_filter import BatchName
from wavewright.errors import Misuse
from wavewright.reporting.console_table import console_table, plain_cells

if TYPE_CHECKING:
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.line_notes import LineNote

Serials = Annotated[list[str] | None, typer.Argument(metavar="SERIAL", help="Serial numbers.")]
Reason = Annotated[str, typer.Option("--reason", help="Why.")]
By = Annotated[str, typer.Option("--operator", help="Who does it.")]
At = Annotated[str, typer.Option("--station", help="Test station, in whose chain it is noted.")]


def quarantine(
    serials: Serials = None,
    *,
    reason: Reason = "",
    operator: By = "",
    station: At = "",
    batch_name: BatchName = None,
    since_golden: Annotated[
        str | None,
        typer.Option(metavar="SERIAL", help="The units of --station since this golden unit last read as expected."),
    ] = None,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Set units apart, or list those in quarantine.

    A unit in quarantine is not run and counts as no good unit until it is released. Where no units are named, those in
    quarantine are listed. What is noted is never changed: a release is a note of its own.
    """
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.line_notes import enter_notes, notes_in
    from wavewright.logbook.quarantine import in_quarantine, set_apart

    with Logbook.existing(logbook) as book:
        if not serials and batch_name is None and since_golden is None:
            if reason:
                raise Misuse("a reason, and no unit", expected="serial numbers, or --batch-name")
            _list(in_quarantine(notes_in(book)), as_json)
            return
        if not operator.strip():
            raise Misuse("a quarantine without a name", expected="`--operator NAME`: who answers for it")
        named = [*(serials or ()), *_units_of(book, batch_name), *_since_golden(book, since_golden, station)]
        note = set_apart(list(dict.fromkeys(named)), reason=reason, operator=operator, station=station)
        enter_notes(book, [note])
    _say(note, note.says["serials"], "in quarantine", as_json)


def release(
    serials: Serials = None,
    *,
    reason: Reason = "",
    operator: By = "",
    station: At = "",
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Release units from quarantine, with a reason.

    Their retests are counted anew from then on.
    """
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.line_notes import enter_notes, notes_in
    from wavewright.logbook.quarantine import release as released

    with Logbook.existing(logbook) as book:
        note = released(list(serials or ()), notes_in(book), reason=reason, operator=operator, station=station)
        enter_notes(book, [note])
    _say(note, list(note.says["lifts"]), "released", as_json)


def _units_of(book: Logbook, batch: str | None) -> list[str]:
    """The units of a batch; Misuse where it has none."""
    from wavewright.logbook.queries import Filter, entries

    if batch is None:
        return []
    found = list(dict.fromkeys(entry.serial for entry in entries(book, Filter(batch=batch))[::-1] if entry.serial))
    if not found:
        raise Misuse(f"no unit in batch `{batch}`", do="`wavewright logbook list` shows the runs")
    return found


def _since_golden(book: Logbook, golden: str | None, station: str) -> list[str]:
    """The units of a station since a golden unit last read there as expected; Misuse where it never did."""
    from datetime import datetime

    from wavewright.logbook.golden_duty import last_as_expected
    from wavewright.logbook.line_notes import notes_in
    from wavewright.logbook.queries import Filter, entries

    if golden is None:
        return []
    last = last_as_expected(notes_in(book), golden, station=station)
    if last is None:
        where = f"station `{station}`" if station else "a station without a name"
        raise Misuse(f"golden unit `{golden}` never read as expected at {where}", expected="--station NAME of another")
    since, simulated = datetime.fromisoformat(last.says["started"]), bool(last.says["simulated"])
    which = Filter(recipe=last.says["recipe"], station=station, since=since, simulated=simulated, golden=False)
    found = list(dict.fromkeys(entry.serial for entry in entries(book, which)[::-1] if entry.serial))
    if not found:
        raise Misuse(f"no unit was run since golden unit `{golden}` read as expected at {since:%Y-%m-%d %H:%M} UTC")
    return found


def _say(note: LineNote, serials: Sequence[str], what: str, as_json: bool) -> None:
    if as_json:
        print_json({**note.as_json(), "station": note.station})
    else:
        print(*(f"{serial}: {what}" for serial in serials), sep="\n")


def _list(found: dict[str, list[LineNote]], as_json: bool) -> None:
    if as_json:
        print_json([{"serial": serial, "notes": [note.as_json() for note in notes]} for serial, notes in found.items()])
        return
    table = console_table(("serial", "since, UTC", "by", "reason"), whole=("serial", "since, UTC"))
    for serial, notes in found.items():
        for note in notes:
            cells = (serial, f"{note.at:%Y-%m-%d %H:%M}", note.operator or "a rule of the recipe", note.says["reason"])
            table.add_row(*plain_cells(*cells))
    console().print(table if found else "no unit is in quarantine")
