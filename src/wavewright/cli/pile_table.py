"""What commands print about a pile of files: a table of rows, or JSON; and the exit status of them all."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from wavewright.cli.answering import print_json_list
from wavewright.cli.output import console

if TYPE_CHECKING:
    from wavewright.archive.answer import ItemAnswer

MOST_SHOWN = 500  # rows of a table on the screen; more are for a file


def tell_pile(answers: Iterable[ItemAnswer], columns: Sequence[str], *, as_json: bool, is_kept: bool) -> int:
    """Print what was found in each file, and return the exit status.

    Parameters
    ----------
    columns : those of the table on the screen.
    is_kept : a table has it all: only faults and the sum are printed.
    """
    from wavewright.archive.collecting import worst
    from wavewright.reporting.console_table import console_table, plain_cells

    statuses: set[int] = set()
    count = faulty = rows = 0

    def counted() -> Iterator[ItemAnswer]:
        nonlocal count, faulty
        for one in answers:
            count, faulty = count + 1, faulty + bool(one.fault)
            statuses.add(one.status)
            yield one

    if as_json:
        print_json_list({"file": one.item, "fault": one.fault} if one.fault else one.document for one in counted())
        return worst(statuses)
    shown, table = console(), console_table(columns)
    faults = []
    for one in counted():
        if one.fault:
            faults.append(one.fault if one.item in one.fault else f"{one.item}: {one.fault}")
            del faults[MOST_SHOWN:]
        for row in one.rows if not is_kept else ():
            rows += 1
            if rows <= MOST_SHOWN:
                table.add_row(*plain_cells(*(_cell(row, name) for name in columns)))
    if rows:
        shown.print(table)
    if rows > MOST_SHOWN:
        shown.print(f"and {rows - MOST_SHOWN} rows more; --table FILE.csv has all of them")
    for fault in faults:
        shown.print(fault, markup=False, soft_wrap=True)
    shown.print(f"{count} files: {count - faulty} read, {faulty} with a fault")
    return worst(statuses)


def _cell(row: Mapping[str, Any], name: str) -> str:
    from wavewright.quantities import show_quantity

    value = row.get(name)
    if value is None:
        return "–"
    return show_quantity(value, row.get("unit", "")) if isinstance(value, float) else str(value)
