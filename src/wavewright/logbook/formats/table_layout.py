"""How a text table is laid out: separator, decimal sign, headings, units, where the numbers begin.

Nothing of this is stated in such a file, so it is tried: the first layout counts under which the numeric lines
all have the same number of cells, and as many as the headings have.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import NamedTuple

from wavewright.errors import FileFault, Place
from wavewright.logbook.formats.unit_names import read_unit

COMMENT_SIGNS = ("#", "%", "//")
NOT_A_NUMBER = frozenset({"", "nan", "NaN", "NAN", "-nan", "+nan", "null", "N/A", "n/a", "---"})
_LONGEST_PREAMBLE = 1000  # lines above the numbers
_LOOKED_AT = 50  # numeric lines that the layout is tried on
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$|[+-]?inf(inity)?$", re.IGNORECASE)
_HEADING = re.compile(r"^(?P<name>.*?)\s*(?:\((?P<round>[^()]*)\)|\[(?P<square>[^\[\]]*)\]|\s/\s(?P<slash>\S+))$")


class NumberedLine(NamedTuple):
    """One line that is neither empty nor a comment, with its number counted from 1."""

    number: int
    text: str


@dataclass(frozen=True, slots=True)
class TableLayout:
    """How to take the lines of a table apart.

    `separator` is None for white space; `headings` and `units` are "" where the file has none; `first` is the
    position of the first numeric line among the lines.
    """

    separator: str | None
    decimal_sign: str
    headings: tuple[str, ...]
    units: tuple[str, ...]
    first: int

    @property
    def columns(self) -> int:
        """Cells in every line."""
        return len(self.headings)

    def cells(self, text: str) -> list[str]:
        """The cells of one line, without quotes and blanks."""
        return split(text, self.separator)

    def number(self, cell: str) -> float:
        """What a cell says; NaN for an empty one.

        Raises
        ------
        ValueError : it is not a number.
        """
        if cell in NOT_A_NUMBER:
            return float("nan")
        plain = cell.replace(",", ".") if self.decimal_sign == "," else cell
        if not _NUMBER.match(plain):
            raise ValueError(cell)
        return float(plain)


_LAYOUTS = ((";", ","), (";", "."), ("\t", ","), ("\t", "."), (",", "."), (None, "."), (None, ","))


def split(text: str, separator: str | None) -> list[str]:
    """The cells of a line; a separator inside double quotes does not part."""
    if separator is None:
        return text.split()
    if '"' not in text:
        return [cell.strip() for cell in text.split(separator)]
    parts = re.split(rf'{re.escape(separator)}(?=(?:[^"]*"[^"]*")*[^"]*$)', text)
    return [part.strip().strip('"').strip() for part in parts]


def find_layout(lines: list[NumberedLine], *, file: str) -> TableLayout:
    """The layout under which the numeric lines agree with each other and with the headings.

    Raises
    ------
    FileFault : no line of numbers, or none of the known layouts fits.
    """
    fitting = [layout for separator, sign in _LAYOUTS if (layout := _try_layout(lines, separator, sign)) is not None]
    if not fitting:
        where = Place(file, lines[0].number) if lines else file
        raise FileFault(
            "no table of numbers" if lines else "the file is empty",
            where=where,
            expected="lines of numbers, separated by `,`, `;`, a tab or spaces; comments begin with `#`",
        )
    return max(fitting, key=lambda layout: (_agreement(lines, layout), any(layout.headings), layout.columns > 1))


def _agreement(lines: list[NumberedLine], layout: TableLayout) -> int:
    """How many lines are numbers under a layout."""
    return sum(_is_numeric(layout, line.text) for line in lines[layout.first : layout.first + _LOOKED_AT])


def _try_layout(lines: list[NumberedLine], separator: str | None, sign: str) -> TableLayout | None:
    trial = TableLayout(separator, sign, (), (), 0)
    first = next((i for i, line in enumerate(lines[:_LONGEST_PREAMBLE]) if _is_numeric(trial, line.text)), None)
    if first is None:
        return None
    columns = len(trial.cells(lines[first].text))
    sample = [trial.cells(line.text) for line in lines[first : first + _LOOKED_AT]]
    if sum(len(cells) == columns for cells in sample) < 0.9 * len(sample):
        return None
    above = [split(line.text, separator) for line in lines[:first]]
    if columns > 1 and all(cells[-1] == "" for cells in sample):  # a separator at the end of each line parts nothing
        columns -= 1
        above = [cells[:-1] if len(cells) == columns + 1 and cells[-1] == "" else cells for cells in above]
    if columns == 1 and any(len(cells) > 1 for cells in above[-1:]) and separator is not None:
        return None
    headings, units = _headings(above, columns, separator, lines[:first])
    return TableLayout(separator, sign, headings, units, first)


def _is_numeric(layout: TableLayout, text: str) -> bool:
    cells = layout.cells(text)
    try:
        numbers = [layout.number(cell) for cell in cells]
    except ValueError:
        return False
    return not all(math.isnan(number) for number in numbers)


def _headings(
    above: list[list[str]], columns: int, separator: str | None, lines: list[NumberedLine]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and units from the one or two lines above the numbers; what is higher is somebody's preamble."""
    if separator is None and columns == 1 and lines:
        above = [[line.text.strip().strip('"')] for line in lines]  # a single name may have blanks in it
    block: list[list[str]] = []
    for cells in reversed(above):
        if len(cells) != columns or len(block) == 2:
            break
        block.insert(0, cells)
    if len(block) == 2 and all(_unit_word(cell) for cell in block[1]):
        return tuple(block[0]), tuple(cell.strip("()[] ") for cell in block[1])
    if not block:
        return ("",) * columns, ("",) * columns
    parted = [_part_heading(cell) for cell in block[-1]]
    return tuple(name for name, _ in parted), tuple(unit for _, unit in parted)


def _unit_word(cell: str) -> bool:
    return cell == "" or read_unit(cell.strip("()[] ")) is not None


def _part_heading(text: str) -> tuple[str, str]:
    """`rail (mV)`, `rail [mV]` and `rail / mV` to name and unit."""
    if (found := _HEADING.match(text)) is None:
        return text, ""
    return found["name"], next(unit for unit in found.group("round", "square", "slash") if unit is not None).strip()
