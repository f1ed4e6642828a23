"""The runs that a unit has had already: in the logbook, and in the spool while that is away."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from wavewright.judgement.verdict import Verdict
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter, entries
from wavewright.logbook.rows import recipe_name, was_simulated
from wavewright.logbook.spool_folder import OUTCOMES
from wavewright.logbook.tables import GOLDEN_BATCH


@dataclass(frozen=True, slots=True)
class UnitRun:
    """One run, as far as it matters for what the unit may do next."""

    id: str
    serial: str
    verdict: Verdict
    started: datetime
    station: str
    batch: str


def runs_of(
    book: Logbook | None,
    spool: Path,
    *,
    identity: str,
    recipe: str,
    simulated: bool,
    serial: str | None = None,
    station: str | None = None,
    since: datetime | None = None,
) -> list[UnitRun]:
    """The runs of a recipe, oldest first, those of golden units left out.

    Parameters
    ----------
    book : None where it is away; then only what waits here is known.
    spool : folder of what waits; identity : of the logbook that it waits for.
    simulated : on a simulated bench, or on real instruments: either knows nothing of the other.
    serial, station, since : of one unit, of one station, from a start on; all if not given.

    Raises
    ------
    StorageFault : the logbook does not answer.
    """
    found: dict[str, UnitRun] = {}
    if book is not None:
        # a filter takes `*` for anything; a serial number that has one is looked for among all of them
        exact = serial if serial is not None and "*" not in serial else None
        which = Filter(recipe=recipe, simulated=simulated, serial=exact, station=station, since=since)
        for entry in entries(book, which):
            found[entry.id] = UnitRun(
                entry.id, entry.serial, Verdict(entry.verdict), entry.started, entry.station, entry.batch
            )
    found |= {run.id: run for run in _waiting(spool, identity, recipe, simulated)}
    runs = (
        run
        for run in found.values()
        if run.batch != GOLDEN_BATCH
        and (serial is None or run.serial == serial)
        and (station is None or run.station == station)
        and (since is None or run.started >= since)
    )
    return sorted(runs, key=lambda run: (run.started, run.id))


def by_unit(runs: Sequence[UnitRun]) -> dict[str, list[UnitRun]]:
    """The runs of each unit in order; one without a serial number is a unit of its own."""
    units: dict[str, list[UnitRun]] = {}
    for run in runs:
        units.setdefault(run.serial or run.id, []).append(run)
    return units


def _waiting(spool: Path, identity: str, recipe: str, simulated: bool) -> Iterator[UnitRun]:
    for path in spool.glob(OUTCOMES):
        try:
            line = json.loads(path.read_text(encoding="utf-8"))
            plain = line["outcome"]
            is_meant = line.get("logbook", "") in ("", identity) and was_simulated(plain) == simulated
            if is_meant and recipe_name(plain["recipe"]["file"]) == recipe:
                started = datetime.fromisoformat(plain["started"])
                yield UnitRun(
                    line["id"], plain["serial"], Verdict(plain["verdict"]), started, line["station"], line["batch"]
                )
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            continue  # another process has forwarded it, or `forward` says what is wrong with it
