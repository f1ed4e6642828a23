"""The spool: outcomes that wait until their logbook can be reached, one file each, beside the evidence.

    outcomes/20260302T080000Z-rail-VC204-0017/     the evidence of a run
    outcomes/spool/20260302-080004-1f2e3d4c.jsonl  its outcome, as a line that `wavewright logbook import` reads

An outcome has its id before it is entered for the first time, and keeps it in the spool. So it is entered once, even if
the logbook took it and the answer was lost, or whoever forwards it is killed before the file is gone.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import select

from wavewright.durable_files import sync_folder, take_away, write_whole
from wavewright.errors import FileFault, StorageFault, WavewrightError
from wavewright.logbook.book import Logbook
from wavewright.logbook.intake import Given, enter_given, from_lines
from wavewright.logbook.judged_again import unfollowed
from wavewright.logbook.line_notes import forward_notes
from wavewright.logbook.outcome_files import outcome_as_json
from wavewright.logbook.spool_folder import OUTCOMES
from wavewright.logbook.tables import versions
from wavewright.running.outcome import Outcome


@dataclass(frozen=True, slots=True)
class Forwarded:
    """What a spool gave to a logbook.

    Parameters
    ----------
    entered, known : runs that are new in it, and that it had already.
    elsewhere : how many wait for another logbook, by its name.
    faults : why others were not taken; they stay.
    """

    entered: int = 0
    known: int = 0
    elsewhere: Mapping[str, int] = field(default_factory=dict)
    faults: tuple[str, ...] = ()


def put_aside(spool: Path, outcome: Outcome, *, identifier: str, station: str, batch: str, logbook: str) -> Path:
    """Let an outcome wait; returns the file that it waits in.

    Parameters
    ----------
    outcome : its captures stay where they are, in its folder.
    identifier : id that it shall have in the logbook.
    logbook : `identity` of the logbook's address.

    Raises
    ------
    StorageFault : the disk does not take it.
    """
    line: dict[str, Any] = {"id": identifier, "station": station, "batch": batch, "logbook": logbook}
    if outcome.folder is not None:
        line["evidence"] = outcome.folder.name
    line["outcome"] = outcome_as_json(outcome)
    path = spool / f"{identifier}.jsonl"
    try:
        spool.mkdir(parents=True, exist_ok=True)
        write_whole(path, json.dumps(line, ensure_ascii=False, allow_nan=False) + "\n")
    except OSError as fault:
        raise StorageFault(
            f"the outcome cannot be put into the spool: {fault.strerror or fault}",
            where=str(path),
            do="free space, or name another folder with --out",
        ) from fault
    return path


def forward(book: Logbook, spool: Path, *, whatever: bool = False) -> Forwarded:
    """Enter what waits for a logbook, each run once, and take it out of the spool.

    Parameters
    ----------
    whatever : enter what waits for other logbooks too.

    Raises
    ------
    StorageFault : the logbook cannot be reached; what is not entered stays.
    """
    entered = known = 0
    elsewhere: Counter[str] = Counter()
    faults: list[str] = []
    for path in sorted(spool.glob(OUTCOMES)):
        try:
            meant = _meant_for(path)
            if meant not in ("", book.identity) and not whatever:
                elsewhere[meant] += 1
                continue
            given = list(from_lines(path))
            _check(given)
            count = len(enter_given(book, given))
        except (WavewrightError, OSError) as fault:
            if not path.exists():  # another process has forwarded it
                continue
            _reach(book)
            faults.append(str(fault))
            continue
        entered += count
        known += len(given) - count
        try:
            take_away(path)
        except OSError as fault:  # the next time its run is known
            faults.append(f"{path}: it was entered, and cannot be deleted: {fault.strerror or fault}")
    faults += forward_notes(book, spool)
    if entered or known:
        sync_folder(spool)
    return Forwarded(entered, known, dict(elsewhere), tuple(faults))


def _meant_for(path: Path) -> str:
    """Which logbook a file waits for; empty if it does not say so, and then whoever reads it finds what is wrong."""
    try:
        with path.open(encoding="utf-8", newline="\n") as file:
            plain = json.loads(file.readline())
        return str(plain.get("logbook", ""))
    except (UnicodeDecodeError, ValueError, AttributeError, RecursionError):
        return ""


def _check(given: list[Given]) -> None:
    """Judge each again from its values: it was judged on this bench, and its captures are there for everybody else."""
    for one in given:
        for what in unfollowed(one.outcome, one.document):
            raise FileFault(what, where=one.where, expected="what follows from what was measured")
        if any(measurement.shots for measurement in one.outcome.measurements) and not one.outcome.captures:
            raise FileFault(
                "its evidence is not beside the spool, and without it the captures are missing",
                where=one.where,
                expected="the folder that `evidence` names",
                do=f"put it back, or enter the run without: `wavewright logbook import {one.where.file}`",
            )


def _reach(book: Logbook) -> None:
    """Raise StorageFault if it is the logbook that cannot be used, and not the one run."""
    with book.reading() as connection:
        connection.execute(select(versions.c.version)).all()
