"""The logbook as files for others, and back: a table of readings as CSV or Parquet, whole outcomes as JSON Lines."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from sqlalchemy import select

from wavewright.durable_files import whole_file
from wavewright.errors import FileFault, Misuse, Place, StorageFault
from wavewright.logbook.book import Logbook, new_id
from wavewright.logbook.outcome_files import OUTCOME, WIRE_LOG, outcome_as_json, outcome_from_json, read_outcome
from wavewright.logbook.queries import Filter
from wavewright.logbook.tables import microseconds, moment_of, outcomes, readings
from wavewright.logbook.unfinished import recover
from wavewright.running.outcome import Outcome

COLUMNS = (
    *("run", "started", "part", "serial", "recipe", "operator", "station", "batch", "simulated", "run_verdict"),
    *("name", "metric", "value", "unit", "uncertainty", "low", "high", "margin", "verdict"),
)


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import brought: runs that are new, runs that were in the logbook already, runs that were cut off."""

    new: int
    known: int
    cut_off: int = 0


def export(book: Logbook, path: Path, which: Filter | None = None) -> int:
    """Write the runs that a filter leaves; the ending of the file says how. Returns how many rows or runs.

    Parameters
    ----------
    path : `.csv` and `.parquet` get one row a reading; `.jsonl` one whole outcome a line, to be imported again.

    Raises
    ------
    Misuse : an ending that stands for nothing here, or a package that is not installed.
    StorageFault : the file cannot be written.
    """
    try:
        write = WRITERS[path.suffix.lower()]
    except KeyError:
        raise Misuse(f"ending `{path.suffix}` of {path}", expected=f"one of {', '.join(WRITERS)}") from None
    try:
        with whole_file(path) as part:
            return write(book, part, which or Filter())
    except OSError as fault:
        raise StorageFault(f"cannot be written: {fault.strerror or fault}", where=str(path)) from fault


def import_outcomes(book: Logbook, path: Path, *, station: str = "") -> Imported:
    """Enter what another logbook exported as `.jsonl`, or the evidence folders that runs have written.

    A folder is an evidence folder itself, or holds such folders; of what killed runs have left, evidence is made first.
    Captures come along with folders. Runs that are in the logbook already (same id; for folders, same start, serial
    number and recipe) are left as they are.

    Raises
    ------
    FileFault : a line or a folder is not what it should be; nothing is entered then.
    """
    cut_off = recover(path) if path.is_dir() else []
    if not path.exists() and len(cut_off) == 1:  # the folder that was named has its own name now
        path = cut_off[0]
    given = _from_folder(path, station) if path.is_dir() else _from_lines(path)
    found = list(given)
    known = _known(book)
    new = [one for one in found if one[0] not in known and _mark(one[1]) not in known]
    book.enter_named(new)
    return Imported(len(new), len(found) - len(new), len(cut_off))


def rows(book: Logbook, which: Filter) -> Iterator[dict[str, Any]]:
    """One reading after the other as a plain row with the keys of COLUMNS, oldest run first."""
    ours = ("part", "serial", "recipe", "operator", "station", "batch", "simulated")
    query = (
        select(
            outcomes.c.id.label("run"),
            outcomes.c.started.label("started"),
            *(outcomes.c[name] for name in ours),
            outcomes.c.verdict.label("run_verdict"),
            *(readings.c[name] for name in COLUMNS[len(ours) + 3 :]),
        )
        .join(readings, readings.c.outcome == outcomes.c.id)
        .where(*which.conditions())
        .order_by(outcomes.c.started, outcomes.c.id, readings.c.name)
    )
    with book.reading() as connection:
        for row in connection.execution_options(yield_per=2000).execute(query).mappings():
            yield {**row, "started": moment_of(row["started"]).isoformat(), "simulated": bool(row["simulated"])}


def _write_csv(book: Logbook, path: Path, which: Filter) -> int:
    count = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, COLUMNS)
        table.writeheader()
        for row in rows(book, which):
            table.writerow({name: "" if value is None else value for name, value in row.items()})
            count += 1
    return count


def _write_lines(book: Logbook, path: Path, which: Filter) -> int:
    query = (
        select(outcomes.c.id, outcomes.c.station, outcomes.c.batch)
        .where(*which.conditions())
        .order_by(outcomes.c.started)
    )
    with book.reading() as connection:
        found = connection.execute(query).all()
    with path.open("w", encoding="utf-8") as file:
        for row in found:
            about = {"id": row.id, "station": row.station, "batch": row.batch}
            document = {**about, "outcome": outcome_as_json(book.outcome(row.id))}
            file.write(json.dumps(document, ensure_ascii=False) + "\n")
    return len(found)


def _write_parquet(book: Logbook, path: Path, which: Filter) -> int:
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as fault:
        raise Misuse(
            "Parquet needs the package pyarrow", do="install `wavewright[notebook]`, or export to .csv"
        ) from fault
    numbers = {"value", "uncertainty", "low", "high", "margin"}
    kinds = {**dict.fromkeys(numbers, pa.float64()), "simulated": pa.bool_()}
    schema = pa.schema([(name, kinds.get(name, pa.string())) for name in COLUMNS])
    table = pa.Table.from_pylist(list(rows(book, which)), schema=schema)
    parquet.write_table(table, path)
    return int(table.num_rows)


WRITERS: Mapping[str, Callable[[Logbook, Path, Filter], int]] = {
    ".csv": _write_csv,
    ".jsonl": _write_lines,
    ".parquet": _write_parquet,
}


def _from_lines(path: Path) -> Iterator[tuple[str, Outcome, str, str]]:
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as fault:
        raise FileFault(f"cannot be read: {fault}", where=str(path), expected="a .jsonl file or a folder") from fault
    for number, line in enumerate(lines, 1):
        try:
            plain = json.loads(line)
            yield plain["id"], outcome_from_json(plain["outcome"]), plain["station"], plain["batch"]
        except (ValueError, KeyError, TypeError) as fault:
            raise FileFault(
                f"not an exported outcome: {fault}",
                where=Place(str(path), number),
                expected="a line that `wavewright logbook export FILE.jsonl` has written",
            ) from fault


def _from_folder(path: Path, station: str) -> Iterator[tuple[str, Outcome, str, str]]:
    folders = [path] if (path / OUTCOME).exists() else sorted(below.parent for below in path.glob(f"[!.]*/{OUTCOME}"))
    if not folders and not any(path.glob(f".*/{WIRE_LOG}")):
        raise FileFault(
            "no evidence in this folder", where=str(path), expected=f"a folder with {OUTCOME}, or such folders"
        )
    for folder in folders:
        outcome = read_outcome(folder)
        yield new_id(outcome), replace(outcome, folder=None), station, ""


def _known(book: Logbook) -> set[object]:
    columns = (outcomes.c.id, outcomes.c.started, outcomes.c.serial, outcomes.c.recipe_sha256)
    with book.reading() as connection:
        found = connection.execute(select(*columns)).all()
    return {row.id for row in found} | {(row.started, row.serial, row.recipe_sha256) for row in found}


def _mark(outcome: Outcome) -> tuple[int, str, str]:
    return microseconds(outcome.started), outcome.serial, outcome.recipe.sha256
