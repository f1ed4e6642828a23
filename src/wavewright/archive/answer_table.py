"""Answers as one table: CSV, or Parquet, with a row for each thing found and for each item that has a fault."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

from wavewright.archive.answer import ItemAnswer
from wavewright.durable_files import whole_file
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.spreadsheet_cell import as_cell

SUFFIXES = (".csv", ".parquet")
GROUP = 10_000  # rows that are in memory at once
FAULT = "fault"


def check_table(path: Path) -> None:
    """See whether a table of that name can be written.

    Raises
    ------
    Misuse : another suffix, or what writes Parquet is not installed.
    StorageFault : its folder is not there.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise Misuse(
            f"`--table {path}`", expected="the name of a .csv or .parquet file, or `logbook`", do="name such a file"
        )
    if path.suffix.lower() == ".parquet":
        try:
            import pyarrow.parquet  # noqa: F401
        except ImportError as fault:
            raise Misuse(
                f"`--table {path}`: what writes Parquet is not installed", do="pip install 'wavewright[cluster]'"
            ) from fault
    if not path.absolute().parent.is_dir():
        raise StorageFault("there is no such folder", where=str(path.parent), do="make it, or name another --table")


def write_table(path: Path, answers: Iterable[ItemAnswer], columns: Mapping[str, type]) -> None:
    """Write the table; the file is there whole, or as it was before.

    Parameters
    ----------
    columns : their names in order, and their types; the first names the item, and one is called `fault`.

    Raises
    ------
    StorageFault : the disk does not take it.
    """
    rows = _rows(answers, columns)
    with _storing(path), whole_file(path) as part:
        if path.suffix.lower() == ".parquet":
            _write_parquet(part, rows, columns)
        else:
            _write_csv(part, rows, columns)


def _rows(answers: Iterable[ItemAnswer], columns: Mapping[str, type]) -> Iterator[list[Any]]:
    first = next(iter(columns))
    for answer in answers:
        rows: Iterable[Mapping[str, Any]] = answer.rows
        if answer.fault or not answer.rows:
            rows = ({first: answer.item, FAULT: answer.fault},)
        for row in rows:
            yield [row.get(name) for name in columns]


def _write_csv(path: Path, rows: Iterable[list[Any]], columns: Mapping[str, type]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows([as_cell(cell) if isinstance(cell, str) else cell for cell in row] for row in rows)


def _write_parquet(path: Path, rows: Iterator[list[Any]], columns: Mapping[str, type]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {str: pa.string(), float: pa.float64(), int: pa.int64(), bool: pa.bool_()}
    schema = pa.schema([(name, kinds[kind]) for name, kind in columns.items()])
    with pq.ParquetWriter(path, schema) as writer:
        while some := list(islice(rows, GROUP)):
            arrays = [pa.array(cells, type=field.type) for cells, field in zip(zip(*some, strict=True), schema,
                                                                               strict=True)]  # fmt: skip
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))


@contextmanager
def _storing(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as fault:
        raise StorageFault(
            f"the table cannot be written: {fault.strerror or fault}",
            where=str(path),
            do="make room, and repeat: what is answered already is not asked again",
        ) from fault
