"""What commands print about a pile of files: a table of rows, or JSON; and the exit status of them all."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from wavewright.cli.answering import print_json_list
from wavewright.cli.output import console

if TYPE_CHECKING:
    from wavewright.archive.answer import ItemAnswer

NO_UNITS: Mapping[str, str] = MappingProxyType({})
MOST_SHOWN = 500  # rows of a table on the screen; more are for a file


def tell_pile(
    answers: Iterable[ItemAnswer],
    columns: Sequence[str],
    *,
    as_json: bool,
    is_kept: bool,
    is_alone: bool = False,
    units: Mapping[str, str] = NO_UNITS,
    more: Callable[[ItemAnswer], Iterable[str]] = lambda answer: (),
) -> int:
    """Print what was found in each file, and return the exit status.

    Parameters
    ----------
    columns : those of the table on the screen.
    is_kept : a table has it all: only faults and the sum are printed.
    is_alone : one file was named: nothing is summed up.
    units : of columns whose unit the row does not say.
    more : lines about an answer, which are printed after the table.
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
        print_json_list(document for one in counted() for document in _documents(one))
        return worst(statuses)
    shown, table = console(), console_table(columns)
    faults, lines = list[str](), list[str]()
    for one in counted():
        if one.fault:
            faults.append(one.fault if one.item in one.fault else f"{one.item}: {one.fault}")
            del faults[MOST_SHOWN:]
        elif not is_kept and len(lines) < MOST_SHOWN:
            lines.extend(more(one))
        for row in one.rows if not is_kept else ():
            rows += 1
            if rows <= MOST_SHOWN:
                table.add_row(*plain_cells(*(_cell(row, name, units.get(name)) for name in columns)))
    if rows:
        shown.print(table)
    if rows > MOST_SHOWN:
        shown.print(f"and {rows - MOST_SHOWN} rows more; --table FILE.csv has all of them")
    for line in (*lines, *faults):
        shown.print(line, markup=False, soft_wrap=True)
    if not is_alone:
        shown.print(f"{count} file{'s' * (count != 1)}: {count - faulty} read, {faulty} with a fault")
    return worst(statuses)


def _documents(answer: ItemAnswer) -> Iterable[Any]:
    """What JSON says about one file: one document, or those of a list."""
    if answer.fault:
        return [{"file": answer.item, "fault": answer.fault}]
    return answer.document if isinstance(answer.document, list) else [answer.document]


def _cell(row: Mapping[str, Any], name: str, unit: str | None) -> str:
    from wavewright.quantities import show_quantity

    value = row.get(name)
    if value is None:
        return "–"
    return (
        show_quantity(value, row.get("unit", "") if unit is None else unit) if isinstance(value, float) else str(value)
    )
