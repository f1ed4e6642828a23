"""`wavewright decode FILES --bus NAME`: the traffic on the lines of stored records."""

from __future__ import annotations

import csv
import sys
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.answering import AnswersWanted, with_answers
from wavewright.cli.completion import complete_bus, complete_layer
from wavewright.cli.options import FileInterval, FileWords, number_or_name, split_words
from wavewright.cli.output import AsJson, console, print_json
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.archive.decoded_files import DecodedFiles
    from wavewright.buses.bus_record import BusRecord
    from wavewright.buses.frame import Frame
    from wavewright.buses.frames import Frames
    from wavewright.buses.timing_report import TimingRow

# What is left over are the bus's channels, `--tx 1`, and its options, `--baud 19200`: the catalogue knows them.
CONTEXT = {"allow_extra_args": True, "ignore_unknown_options": True}
FAIL, INCONCLUSIVE = 1, 2
VERDICTS = {True: "pass", False: "fail", None: "–"}


class Base(StrEnum):
    """Number format of data."""

    HEX = "hex"
    DECIMAL = "decimal"
    BINARY = "binary"
    TEXT = "text"


@with_answers
def decode(
    context: typer.Context,
    words: FileWords,
    *,
    bus: Annotated[
        str,
        typer.Option(
            help="Name of the bus; `wavewright buses` lists them with their channels and options.",
            autocompletion=complete_bus,
        ),
    ],
    then: Annotated[
        str | None, typer.Option(help="A layer above it, such as modbus_rtu.", autocompletion=complete_layer)
    ] = None,
    find: Annotated[
        str | None,
        typer.Option(
            help="Only frames that match this search: `address = 0x48 and nack`; see `wavewright buses --search`."
        ),
    ] = None,
    base: Annotated[Base, typer.Option(help="Number format of data.")] = Base.HEX,
    interval: FileInterval = None,
    timing: Annotated[
        bool,
        typer.Option("--timing", help="Show the timing of the lines beside the published limits, instead of frames."),
    ] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print comma-separated values.")] = False,
    answering: AnswersWanted,
    as_json: AsJson = False,
) -> int:
    """Decode a bus in stored records.

    The channels of the bus are given by number or name of the file's channel, its options as they are called in a
    recipe: --bus uart --tx 1 --baud 19200 --parity even. The rate is called baud for uart and lin, bit_rate for the
    other buses; buses with a clock have neither. Exit status 1 if a frame has an error, or with --timing if a
    published limit does not hold. Of several files a table is made, with a row for each frame; a file that cannot be
    read has its fault there, and the exit status is 3.
    """
    from wavewright.archive.pile import is_pile
    from wavewright.buses.search.search import Search

    if as_csv and as_json:
        raise Misuse("`--csv` and `--json`", expected="one of the two")
    files, given = split_words([*words, *context.args])
    query = _query(bus, given, then=then, find=find, base=base, interval=interval)
    if answering.is_wanted or is_pile(files):
        if unfit := [name for name, value in {"--timing": timing, "--csv": as_csv}.items() if value]:
            do = "decode one after the other" if unfit[0] == "--timing" else "name a table, `--table frames.csv`"
            raise Misuse(f"`{unfit[0]}` of several files", expected="one file", do=do)
        return _decode_pile(query, files, answering=answering, as_json=as_json)
    decoded = query.record(str(files[0]))
    if timing:
        if find:
            raise Misuse("`--timing` and `--find`", expected="one of the two: timing is of lines and not of frames")
        return _print_timing(decoded, as_csv=as_csv, as_json=as_json)
    search = Search.read(find) if find else None
    if search is not None and decoded.says is not None:
        search.check(decoded.says)  # before the work of decoding
    if not len(decoded.frames):
        from wavewright.buses.line.silence import why_silent

        typer.echo(why_silent(decoded), err=True)
    shown = decoded.frames if search is None else decoded.frames.take(search.where(decoded.frames))
    if as_json:
        print_json([frame.as_json() for frame in shown])
    elif as_csv:
        _print_csv(shown, base)
    else:
        _print_table(shown, base)
        _print_summary(shown)
    return FAIL if any(frame.errors for frame in shown) else 0


def _query(
    bus: str, given: Mapping[str, str], *, then: str | None, find: str | None, base: Base, interval: str | None
) -> DecodedFiles:
    from wavewright.archive.decoded_files import DecodedFiles
    from wavewright.buses.catalogue import BUSES
    from wavewright.quantities import read_quantity

    names = {name.rstrip("?") for names in BUSES.find(bus).channels for name in names}
    return DecodedFiles(
        bus,
        tuple((name, number_or_name(value)) for name, value in given.items() if name in names),
        tuple((name, value) for name, value in given.items() if name not in names),
        then or "",
        find or "",
        base.value,
        None if interval is None else read_quantity(interval, unit="s").value,
    )


def _decode_pile(
    query: DecodedFiles,
    files: Sequence[Path],
    *,
    answering: AnswersWanted,
    as_json: bool,
) -> int:
    """One table of the frames of many files, whoever decodes them."""
    from wavewright.archive.pile import files_of
    from wavewright.cli.pile_table import tell_pile

    query.check()
    found = files_of(files)
    columns = [name for name in query.columns if name not in ("bus", "fault")]
    units = {"start": "s", "end": "s"}
    with answering.answers(query, found) as answers:
        return tell_pile(answers, columns, as_json=as_json, is_kept=answering.is_kept, units=units)


def _print_timing(decoded: BusRecord, *, as_csv: bool, as_json: bool) -> int:
    """The timing report in one of the three forms, and the exit status: 1 where a published limit does not hold, 2
    where a doubt leaves one open.
    """
    from wavewright.buses.timing_report import timing_report

    rows = timing_report(decoded)
    if as_json:
        print_json([row.as_json() for row in rows])
    elif as_csv:
        writer = csv.writer(sys.stdout, lineterminator="\n")
        plain = [row.as_json() for row in rows]
        names = ("name", "symbol", "value", "unit", "uncertainty", "at", "count", "least", "most", "holds", "reason")
        writer.writerow(names)
        writer.writerows([{**row, **row["reading"]}.get(name, "") for name in names] for row in plain)
    else:
        _print_timing_table(rows)
    if any(row.holds is False for row in rows):
        return FAIL
    return INCONCLUSIVE if any(row.is_open for row in rows) else 0


def _print_timing_table(rows: Iterable[TimingRow]) -> None:
    from wavewright.quantities import show_quantity
    from wavewright.reporting.console_table import console_table, plain_cells

    headings = ("metric", "symbol", "measured value", "at", "limit", "verdict", "remarks")
    table = console_table(headings, whole=headings[:-1])
    for row in rows:
        reading = row.reading
        value = (
            "–"
            if reading.value is None
            else show_quantity(reading.value, reading.unit, uncertainty=reading.uncertainty)
        )
        at = "–" if reading.at is None else show_quantity(reading.at, "s")
        remarks = reading.reason or "; ".join(found.sentence for found in reading.doubted)
        limit = "–" if row.limit is None else str(row.limit)
        verdict = "inconclusive" if row.is_open else VERDICTS[row.holds]
        table.add_row(*plain_cells(row.name, row.symbol, value, at, limit, verdict, remarks))
    console().print(table)


def _print_table(frames: Iterable[Frame], base: Base) -> None:
    from wavewright.buses.frame_text import frame_rows
    from wavewright.reporting.console_table import console_table, plain_cells

    headings, rows = frame_rows(frames, base.value)
    table = console_table(headings)
    for row in rows:
        table.add_row(*plain_cells(*row))
    console().print(table)


def _print_summary(frames: Frames) -> None:
    """How many frames, how many with errors and with which; then what these words mean."""
    from wavewright.buses.frame import ERRORS

    found = Counter(word for frame in frames for word in frame.errors)
    wrong = sum(bool(frame.errors) for frame in frames)
    text = f"{len(frames)} frame{'' if len(frames) == 1 else 's'}, {wrong or 'none'} with errors"
    words = ", ".join(f"{word} {count}" for word, count in found.most_common())
    typer.echo(f"{text}: {words}" if words else text)
    for word in found:
        typer.echo(f"  {word}: {ERRORS[word]}")


def _print_csv(frames: Iterable[Frame], base: Base) -> None:
    """Times in seconds; everything else as in the table."""
    from wavewright.buses.frame_text import frame_rows
    from wavewright.logbook.spreadsheet_cell import as_cell

    given = list(frames)
    headings, rows = frame_rows(given, base.value)
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(["start_s", "end_s", *headings[2:]])
    writer.writerows([frame.start, frame.end, *map(as_cell, row[2:])] for frame, row in zip(given, rows, strict=True))
