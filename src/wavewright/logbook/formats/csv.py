"""Text tables: a line a sample, one column per channel, with or without a time column.

Read: separators `,` `;` tab and blanks, decimal comma, headings with units (`rail (mV)`), a line of units, comments,
empty cells and `NaN`. Written: comma, point, every digit that a float64 has. The values are kept exactly, the
codes are not: they come back as float64.
"""

from __future__ import annotations

import io
import itertools
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from wavewright.errors import FileFault, Misuse, Place
from wavewright.logbook.formats.catalogue import FileFormat, enter_format
from wavewright.logbook.formats.size_limits import LONGEST_LINE, check_unpacked
from wavewright.logbook.formats.table_layout import COMMENT_SIGNS, NumberedLine, TableLayout, find_layout
from wavewright.logbook.formats.time_axis import agreed_interval, missing_interval, regular_axis
from wavewright.logbook.formats.unit_names import read_unit
from wavewright.logbook.spreadsheet_cell import as_cell
from wavewright.waveform import Capture, Floats, Waveform

_TIME_NAMES = frozenset({"t", "time", "zeit", "seconds", "sec"})
_OWN_START = re.compile(r"#\s*axis of (?P<name>.+): start (?P<start>\S+) s$")
_AXIS = re.compile(r"#\s*axis:\s*start\s+(\S+)\s+s,\s*interval\s+(\S+)\s+s")
LARGEST_SKEW = 0.5  # of an interval: then a sample still stands beside the one that was taken with it
_BLOCK = 65_536  # lines written at a time


@dataclass(frozen=True, slots=True)
class _Table:
    """What is in the file: numbers of shape (lines, columns) and where each line is."""

    file: str
    layout: TableLayout
    numbers: Floats
    lines: list[NumberedLine]
    axis: tuple[float, float] | None
    starts: Mapping[str, float] = field(default_factory=dict)

    def place(self, index: int) -> Place:
        return Place(self.file, self.lines[self.layout.first + index].number)


def read_csv(path: Path, interval: float | None) -> dict[str, Waveform]:
    """Waveforms by heading, `channel1`, `channel2`, … where there is none.

    Raises
    ------
    FileFault : not text, no table, a cell that is not a number, a line that is short, an irregular time.
    Misuse : neither time column nor interval.
    """
    table = _read_table(path)
    time_column = _time_column(table, has_interval=interval is not None or table.axis is not None)
    start, step = _axis(table, time_column, interval)
    channels = [column for column in range(table.layout.columns) if column != time_column]
    if not channels:
        raise FileFault("a time column and no channel", where=table.file, expected="at least one column of values")
    waves: dict[str, Waveform] = {}
    for number, column in enumerate(channels, start=1):
        name = table.layout.headings[column] or f"channel{number}"
        if name in waves:
            raise FileFault(f"two columns are called `{name}`", where=table.file, expected="a name for each column")
        power, unit = read_unit(table.layout.units[column]) or (0, table.layout.units[column] or "V")
        codes = np.ascontiguousarray(table.numbers[:, column])
        own = table.starts.get(name, start)
        waves[name] = Waveform(codes, gain=10.0**power, interval=step, start=own, unit=unit, name=name)
    return waves


def _read_table(path: Path) -> _Table:
    text = _text_of(path)
    axis = None
    starts: dict[str, float] = {}
    lines = []
    for number, line in enumerate(text.splitlines(), start=1):
        if len(line) > LONGEST_LINE:
            raise FileFault(
                f"a line of {len(line)} characters",
                where=Place(str(path), number),
                expected=f"at most {LONGEST_LINE}, with one sample of each channel",
            )
        stripped = line.strip()
        if stripped.startswith(COMMENT_SIGNS):
            if found := _AXIS.match(stripped):
                axis = _stated_axis(found, Place(str(path), number))
            elif own := _OWN_START.match(stripped):
                starts[own["name"]] = _stated_start(own, Place(str(path), number))
        elif stripped:
            lines.append(NumberedLine(number, line.strip(" \r\n")))
    layout = find_layout(lines, file=str(path))
    return _Table(str(path), layout, _numbers(lines[layout.first :], layout, str(path)), lines, axis, starts)


def _stated_axis(found: re.Match[str], place: Place) -> tuple[float, float]:
    """Start and interval, s, from the comment that `write_csv` puts on top."""
    try:
        start, interval = float(found[1]), float(found[2])
    except ValueError:
        start, interval = math.nan, math.nan
    if not (math.isfinite(start) and 0 < interval < math.inf):
        raise FileFault(f"time axis `{found[0]}`", where=place, expected="two numbers, the interval above 0")
    return start, interval


def _stated_start(found: re.Match[str], place: Place) -> float:
    """Start of one channel, s, from the comment that `write_csv` puts on top where a skew was corrected."""
    try:
        start = float(found["start"])
    except ValueError:
        start = math.nan
    if not math.isfinite(start):
        raise FileFault(f"start `{found['start']}`", where=place, expected="a finite number of seconds")
    return start


def _text_of(path: Path) -> str:
    check_unpacked(path.stat().st_size, str(path))
    content = path.read_bytes()
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    if b"\0" in content:
        raise FileFault("a byte 0: the file is not text", where=f"{path}, byte {content.index(0)}", expected="a table")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")  # old exports write µ and Ω in their own code page


def _numbers(lines: list[NumberedLine], layout: TableLayout, file: str) -> Floats:
    """All cells, shape (lines, columns): at once where nothing is odd, line by line to name what is."""
    texts = (line.text for line in lines)
    if layout.decimal_sign == ",":
        texts = (text.replace(",", ".") for text in texts)
    try:
        numbers = np.loadtxt(texts, delimiter=layout.separator, ndmin=2, comments=None, dtype=np.float64)
        if numbers.shape == (len(lines), layout.columns):
            return numbers
    except ValueError:
        pass
    return np.array([_row(line, layout, file) for line in lines], dtype=np.float64)


def _row(line: NumberedLine, layout: TableLayout, file: str) -> list[float]:
    cells = layout.cells(line.text)
    if len(cells) == layout.columns + 1 and cells[-1] == "":
        cells.pop()  # a separator at the end of the line parts nothing
    if len(cells) != layout.columns:
        raise FileFault(
            f"{len(cells)} cells in `{line.text[:60]}`",
            where=Place(file, line.number),
            expected=f"{layout.columns} cells",
        )
    row = []
    for cell in cells:
        try:
            row.append(layout.number(cell))
        except ValueError:
            column = line.text.find(cell) + 1
            raise FileFault(
                f"`{cell}` is not a number",
                where=Place(file, line.number, column),
                expected=f"a number such as 0{layout.decimal_sign}5, or an empty cell for a missing sample",
            ) from None
    return row


def _time_column(table: _Table, *, has_interval: bool) -> int | None:
    """The column that is called time or counted in seconds; without headings the first, if it rises evenly."""
    for column, (name, unit) in enumerate(zip(table.layout.headings, table.layout.units, strict=True)):
        if name.strip().lower() in _TIME_NAMES or (column == 0 and (read_unit(unit) or (0, ""))[1] == "s"):
            return column
    if has_interval or table.layout.columns == 1 or any(table.layout.headings) or len(table.numbers) < 3:
        return None
    steps = np.diff(table.numbers[:, 0])
    return 0 if steps.min() > 0 else None


def _axis(table: _Table, column: int | None, given: float | None) -> tuple[float, float]:
    if table.axis is not None:
        return table.axis[0], agreed_interval(table.axis[1], given, file=table.file)
    if column is None:
        if given is None:
            raise missing_interval(table.file)
        return 0.0, given
    power, _ = read_unit(table.layout.units[column]) or (0, "s")
    times = table.numbers[:, column] * 10.0**power
    if given is not None and times.size < 2:
        return float(times[0]), given
    start, own = regular_axis(
        times, resolution=10.0**power * _printed_resolution(table, column), file=table.file, place=table.place
    )
    return start, agreed_interval(own, given, file=table.file)


def _printed_resolution(table: _Table, column: int) -> float:
    """The last digit that the times are printed with, in the column's own unit: the most precise of a few lines."""
    first = table.layout.first
    places = []
    for line in itertools.islice(table.lines, first, first + 20):
        number, _, power = table.layout.cells(line.text)[column].lower().partition("e")
        _, _, digits = number.replace(",", ".").partition(".")
        places.append(int(power or 0) - len(digits))
    return 10.0 ** min(places)


def write_csv(path: Path, capture: Capture) -> None:
    """A time column and one column per channel, comma-separated, every value with all its digits.

    Channels whose skew was corrected begin at instants of their own, which stand in comments on top.

    Raises
    ------
    Misuse : channels on different time axes.
    """
    waves = list(capture.waveforms.items())
    first = waves[0][1]
    for name, wave in waves:
        is_beside = abs(wave.start - first.start) < LARGEST_SKEW * first.interval
        if (len(wave), wave.interval) != (len(first), first.interval) or not is_beside:
            raise Misuse(
                f"`{name}` and `{waves[0][0]}` are not on one time axis",
                expected="the same number of samples, interval and start for all columns of a table",
                do="write each to a file of its own, or all to an .h5 file",
            )
        if set(name) & set(',;"\t\n\r') or as_cell(name) != name:
            expected = "a name without separators and quotes that begins no formula, for a table's heading"
            raise Misuse(f"channel `{name}`", expected=expected)
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write(f"# axis: start {first.start!r} s, interval {first.interval!r} s\n")
        for name, wave in waves:
            if wave.start != first.start:
                file.write(f"# axis of {name}: start {wave.start!r} s\n")
        file.write(",".join(["time (s)", *(f"{name} ({wave.unit})" for name, wave in waves)]) + "\n")
        for block in range(0, len(first), _BLOCK):
            file.write(_block_text([wave for _, wave in waves], block))


def _block_text(waves: list[Waveform], first: int) -> str:
    last = min(first + _BLOCK, len(waves[0]))
    times = waves[0].start + waves[0].interval * np.arange(first, last)
    text = io.StringIO()
    for row in zip(times.tolist(), *(wave.values(first, last).tolist() for wave in waves), strict=True):
        text.write(",".join(map(repr, row)))
        text.write("\n")
    return text.getvalue()


enter_format(
    FileFormat(
        name="csv",
        suffixes=(".csv", ".tsv", ".txt"),
        about="text table; values exact, codes become float64",
        read=read_csv,
        write=write_csv,
    )
)
