"""The table of readings on a screen of any width: one line per reading, or below the name of its measurement, or a few.

The name of a measurement has its conditions in it, and is never broken to make room for a column.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from wavewright.judgement.verdict import Verdict
from wavewright.reporting.console_table import console_table
from wavewright.running.readings_table import HEADINGS, NOTHING, ReadingRow

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

INDENT = "  "
UNFOLDED = 1000  # columns: more than any table of readings has
STYLES: Mapping[str, str] = {
    Verdict.PASS: "green",
    Verdict.FAIL: "bold red",
    Verdict.INCONCLUSIVE: "yellow",
    Verdict.ERROR: "bold magenta",
}


def print_readings(rows: Sequence[ReadingRow], console: Console) -> None:
    """The rows in the first of three layouts that the window has room for: every cell in one line, if it can be."""
    table = _whole(rows)
    if _width(table, console) <= console.width:
        console.print(table)
        return
    groups = [(name, list(found)) for name, found in groupby(rows, key=lambda row: row.measurement)]
    for is_stacked in (False, True):
        wanted = _grouped(rows, is_stacked=is_stacked)
        if _width(wanted, console) + len(INDENT) <= console.width:
            widths = [_cell_width(wanted, place, console) for place in range(len(wanted.columns))]
            _print_grouped(groups, widths, console, is_stacked=is_stacked)
            return
    for name, found in groups:
        console.print(_text(name, style="bold"))
        for row in found:
            for line in _in_lines(row):
                console.print(line)


def _whole(rows: Sequence[ReadingRow]) -> Table:
    """Everything of a reading in one line."""
    table = console_table(HEADINGS, right=("margin",), whole=("margin", "verdict"))
    for row in rows:
        *cells, verdict = row.cells
        table.add_row(*map(_text, cells), _verdict(verdict))
    return table


def _grouped(rows: Sequence[ReadingRow], *, is_stacked: bool) -> Table:
    """Without the measurement; `is_stacked` has the uncertainty below the value."""
    table = console_table(HEADINGS[1:], right=("margin",), whole=HEADINGS[1:])
    for row in rows:
        _, name, value, limit, margin, verdict = row.cells
        value = f"{row.value}\n{row.reach}" if is_stacked and row.reach else value
        table.add_row(*map(_text, (name, value, limit, margin)), _verdict(verdict))
    return table


def _print_grouped(
    groups: Sequence[tuple[str, list[ReadingRow]]], widths: Sequence[int], console: Console, *, is_stacked: bool
) -> None:
    """The columns are below one another from group to group; the headings stand once, above the first name."""
    from rich.padding import Padding

    for name, found in [(HEADINGS[0], []), *groups]:
        table = _grouped(found, is_stacked=is_stacked)
        table.show_header = not found
        for column, width in zip(table.columns, widths, strict=True):
            column.width = width
        console.print(_text(name, style="bold"))
        console.print(Padding(table, (0, 0, 0, len(INDENT)), expand=False))


def _in_lines(row: ReadingRow) -> Iterator[Text]:
    """A reading in lines of words."""
    yield _text(f"{INDENT}{row.characteristic}: ").append_text(_verdict(row.verdict))
    told = [row.measured]
    told += [] if row.limit == NOTHING else [f"limit {row.limit}"]
    told += [] if row.margin == NOTHING else [f"margin {row.margin}"]
    for text in told:
        yield _text(f"{INDENT}{INDENT}{text}")


def _width(table: Table, console: Console) -> int:
    return console.measure(table, options=console.options.update(width=UNFOLDED)).maximum


def _cell_width(table: Table, place: int, console: Console) -> int:
    options = console.options.update(width=UNFOLDED)
    column = table.columns[place]
    return max(console.measure(cell, options=options).maximum for cell in (column.header, *column.cells))


def _verdict(verdict: str) -> Text:
    return _text(verdict, style=STYLES.get(verdict, ""))


def _text(text: str, *, style: str = "") -> Text:
    from rich.text import Text

    return Text(text, style=style)
