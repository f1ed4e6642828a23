"""The logbook as files for others: a table of readings as CSV, HDF5 or Parquet, whole outcomes as JSON Lines."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, select

from wavewright.durable_files import whole_file
from wavewright.errors import Misuse, StorageFault
from wavewright.judgement.shown import STATED
from wavewright.logbook.book import Logbook
from wavewright.logbook.kept_files import hash_of
from wavewright.logbook.later_attachments import attached_files, files_referred_to
from wavewright.logbook.outcome_files import attached_beside, outcome_as_json
from wavewright.logbook.queries import Filter
from wavewright.logbook.rows import named_results
from wavewright.logbook.spreadsheet_cell import as_cell
from wavewright.logbook.tables import moment_of, outcomes, readings

OF_RUN = ("part", "serial", "recipe", "operator", "station", "batch", "simulated")
OF_READING = ("name", "metric", "value", "unit", "uncertainty", "lower_limit", "upper_limit", "margin", "verdict")
FROM_DOCUMENT = (*STATED, "rule", "conformance", "declared")  # in the document alone; empty in those of before
COLUMNS = ("run", "started", *OF_RUN, "run_verdict", *OF_READING, *FROM_DOCUMENT)
NUMBERS = frozenset({"value", "uncertainty", "lower_limit", "upper_limit", "margin", *STATED, "conformance"})
Progress = Callable[[int, int], object]
_TOLD_EVERY = 1000  # rows
STORED_AS = {"lower_limit": "low", "upper_limit": "high"}  # names of two columns in the database


def export(
    book: Logbook,
    path: Path,
    which: Filter | None = None,
    *,
    say: Progress = lambda *_: None,
    tell: Callable[[str], object] = lambda _: None,
) -> int:
    """Write the runs that a filter leaves; the file's extension says how. Returns how many rows or runs.

    With `.jsonl` go notes and files that were attached, the files in the folder that `attached_beside` names.

    Parameters
    ----------
    path : `.csv`, `.h5` and `.parquet` get one row per reading; `.jsonl` one whole outcome per line, which can be
        imported again.
    say : gets how many rows or runs are written, and how many there are.
    tell : is told of each attached file that is not here, and so does not go along.

    Raises
    ------
    Misuse : an unknown file extension, or a package that is not installed.
    StorageFault : the file cannot be written.
    """
    try:
        write = WRITERS[path.suffix.lower()]
    except KeyError:
        raise Misuse(f"file extension `{path.suffix}` of {path}", expected=f"one of {', '.join(WRITERS)}") from None
    try:
        if write is _write_lines and (path.is_file() or not path.exists()):  # beside a pipe there is no folder
            _write_attached(book, attached_beside(path), which or Filter(), tell)
        with whole_file(path) as part:
            return write(book, part, which or Filter(), say)
    except OSError as fault:
        raise StorageFault(f"cannot be written: {fault.strerror or fault}", where=str(path)) from fault


def rows(book: Logbook, which: Filter) -> Iterator[dict[str, Any]]:
    """One reading after the other as a plain row with the keys of COLUMNS, oldest run first."""
    query = (
        select(
            outcomes.c.id.label("run"),
            outcomes.c.started.label("started"),
            *(outcomes.c[name] for name in OF_RUN),
            outcomes.c.verdict.label("run_verdict"),
            *(readings.c[STORED_AS.get(name, name)].label(name) for name in OF_READING),
        )
        .join(readings, readings.c.outcome == outcomes.c.id)
        .where(*which.conditions())
        .order_by(outcomes.c.started, outcomes.c.id, readings.c.name)
    )
    run, told = "", {}
    with book.reading() as connection:
        for row in connection.execution_options(yield_per=2000).execute(query).mappings():
            if row["run"] != run:
                run, told = row["run"], _from_document(connection, row["run"])
            plain = {"started": moment_of(row["started"]).isoformat(), "simulated": bool(row["simulated"])}
            yield {**row, **plain, **told.get(row["name"], dict.fromkeys(FROM_DOCUMENT))}


def _from_document(connection: Connection, run: str) -> dict[str, dict[str, Any]]:
    """By reading, what only the document of a run says."""
    document = json.loads(connection.execute(select(outcomes.c.document).where(outcomes.c.id == run)).scalar_one())
    fields = {name: one["text"] for name, one in document.get("declared", {}).items()}
    declared = json.dumps(fields, ensure_ascii=False) if fields else None
    return {
        name: {
            **dict.fromkeys(STATED),
            **result.get("stated", {}),
            "rule": result.get("rule") if result["limit"] else None,
            "conformance": result.get("conformance"),
            "declared": declared,
        }
        for name, result in named_results(document)
    }


def _write_csv(book: Logbook, path: Path, which: Filter, say: Progress) -> int:
    count, total = 0, _row_count(book, which)
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, COLUMNS)
        table.writeheader()
        for row in rows(book, which):
            table.writerow({name: "" if value is None else as_cell(value) for name, value in row.items()})
            count += 1
            if count % _TOLD_EVERY == 0:
                say(count, total)
    return count


def _row_count(book: Logbook, which: Filter) -> int:
    query = select(func.count()).select_from(readings.join(outcomes, readings.c.outcome == outcomes.c.id))
    with book.reading() as connection:
        return int(connection.execute(query.where(*which.conditions())).scalar_one())


def _write_lines(book: Logbook, path: Path, which: Filter, say: Progress) -> int:
    query = (
        select(outcomes.c.id, outcomes.c.station, outcomes.c.batch)
        .where(*which.conditions())
        .order_by(outcomes.c.started)
    )
    with book.reading() as connection:
        found = connection.execute(query).all()
    with path.open("w", encoding="utf-8") as file:
        for done, row in enumerate(found):
            say(done, len(found))
            about = {"id": row.id, "station": row.station, "batch": row.batch}
            outcome = book.outcome(row.id)
            added = {"added": [one.as_json() for one in outcome.added]} if outcome.added else {}
            document = {**about, "outcome": outcome_as_json(outcome), **added}
            file.write(json.dumps(document, ensure_ascii=False) + "\n")
    return len(found)


def _write_attached(book: Logbook, folder: Path, which: Filter, tell: Callable[[str], object]) -> None:
    """Write the attached files of some runs, each once and named by its hash; those that are there stay."""
    with book.reading() as connection:
        runs = set(connection.execute(select(outcomes.c.id).where(*which.conditions())).scalars())
        named = files_referred_to(connection) or attached_files(connection)
    for sha256, owners in sorted(named.items()):
        if not owners & runs:
            continue
        target = folder / sha256
        if hash_of(target) == sha256:
            continue
        if what := book.codes.files.flaw(sha256):
            tell(f"a file that is attached to {', '.join(sorted(owners & runs))} does not go along: {what}")
            continue
        folder.mkdir(parents=True, exist_ok=True)
        with whole_file(target) as part:
            shutil.copyfile(book.codes.files.locate(sha256), part)


def _write_parquet(book: Logbook, path: Path, which: Filter, say: Progress) -> int:
    del say  # one call writes it
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as fault:
        raise Misuse(
            "Parquet needs the package pyarrow", do="install `wavewright[notebook]`, or export to .csv"
        ) from fault
    kinds = {**dict.fromkeys(NUMBERS, pa.float64()), "simulated": pa.bool_()}
    schema = pa.schema([(name, kinds.get(name, pa.string())) for name in COLUMNS])
    table = pa.Table.from_pylist(list(rows(book, which)), schema=schema)
    parquet.write_table(table, path)
    return int(table.num_rows)


def _write_hdf5(book: Logbook, path: Path, which: Filter, say: Progress) -> int:
    """One data set per column in the group `readings`, shape (n,); a number that is missing is NaN."""
    del say  # the columns are written one after the other
    import h5py
    import numpy as np

    found = list(rows(book, which))
    with h5py.File(path, "w") as file:
        group = file.create_group("readings")
        for name in COLUMNS:
            column = [row[name] for row in found]
            if name in NUMBERS:
                group[name] = np.array([np.nan if value is None else value for value in column], dtype=np.float64)
            elif name == "simulated":
                group[name] = np.array(column, dtype=np.bool_)
            else:
                text = ["" if value is None else str(value) for value in column]
                group.create_dataset(name, data=text, dtype=h5py.string_dtype(), shape=(len(text),))
    return len(found)


WRITERS: Mapping[str, Callable[[Logbook, Path, Filter, Progress], int]] = {
    ".csv": _write_csv,
    ".h5": _write_hdf5,
    ".jsonl": _write_lines,
    ".parquet": _write_parquet,
}
