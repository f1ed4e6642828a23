"""A table on the terminal: no lines, bold headings, and in a narrow window cells that go on below, never cut off."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.table import Table
    from rich.text import Text


def console_table(headings: Iterable[str], *, right: Collection[str] = (), whole: Collection[str] = ()) -> Table:
    """An empty table.

    Parameters
    ----------
    right : headings of columns that are flush right.
    whole : headings of columns whose cells stay in one line as long as the window has room for these columns: what
        people copy, such as the id of a run.
    """
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for heading in headings:
        table.add_column(
            heading, justify="right" if heading in right else "left", no_wrap=heading in whole, overflow="fold"
        )
    return table


def plain_cells(*cells: object) -> list[Text]:
    """Texts in which nothing is read as markup."""
    from rich.text import Text

    return [Text(str(cell)) for cell in cells]
