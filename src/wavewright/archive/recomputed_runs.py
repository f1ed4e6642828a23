"""The query whether runs of a logbook, or in evidence folders, come out of their captures as they were recorded."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from wavewright.archive.answer import ItemAnswer
from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.captures_away import CapturesTakenOut
from wavewright.logbook.outcome_files import measurement_as_json, read_outcome
from wavewright.logbook.recompute import Recomputed, recompute
from wavewright.logbook.thinned_out import thinned_folder, thinned_out
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.recipe.stored_recipe import parse_stored_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.readings_table import NOTHING, shown_value, shown_verdict
from wavewright.running.result import Result

NOWHERE = "0" * 64  # the hash of codes that no store has
COLUMNS: Mapping[str, type] = {
    "run": str, "started": str, "part": str, "serial": str, "reading": str, "value": float, "unit": str,
    "uncertainty": float, "limit": str, "rule": str, "verdict": str, "value_before": float, "verdict_before": str,
    "why": str, "fault": str,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class RecomputedRuns:
    """Every reading of a run again from its captures; an item is the id of a run, or an evidence folder.

    Parameters
    ----------
    logbook : whole path or URL of the logbook; empty where all items are folders.
    captures : folder or URL of the store of captures.
    recipe : text of another recipe, and its name; the run's own if there is none.
    cores : for one run: more than one where nobody else works on other runs meanwhile.
    """

    logbook: str
    captures: str | None = None
    recipe: tuple[str, str] | None = None
    cores: int = 1

    @property
    def columns(self) -> Mapping[str, type]:
        """One row per reading, as it is now and as it was."""
        return COLUMNS

    def words(self) -> Mapping[str, Any]:
        """Runs never change: the recipe alone decides."""
        text = None if self.recipe is None else self.recipe[0]
        return {"asked": "recompute", "recipe": text, "name": None if self.recipe is None else self.recipe[1]}

    def check(self) -> None:
        """See whether this process can open the logbook, and reach the store of captures."""
        if self.logbook:
            book = _book(self.logbook, self.captures, os.getpid())
            for store in book.codes.shared[:1]:
                store.has(NOWHERE)

    def stamp(self, item: str) -> str:
        """None: the id of a run is never given again, and an evidence folder is not written twice."""
        return ""

    def answer(self, item: str) -> ItemAnswer:
        """The readings of one run again, or when its captures were thinned out."""
        try:
            return self.from_captures(item)
        except StorageFault as fault:
            note = self._thinned_out(item, fault)
            if note is None:
                raise
            outcome = self._outcome(item)
            why = f"thinned out on {note['at'][:10]} (rule: {note['rule']})"
            row = {"run": item, "started": outcome.started.isoformat(), "part": outcome.part, "serial": outcome.serial}
            return ItemAnswer(item, rows=({**row, "why": why},), document={"run": item, "thinned_out": dict(note)})

    def _outcome(self, item: str) -> Outcome:
        is_folder = Path(item).is_dir()
        return read_outcome(item) if is_folder else _book(self.logbook, self.captures, os.getpid()).outcome(item)

    def _thinned_out(self, item: str, fault: StorageFault) -> Mapping[str, str] | None:
        if Path(item).is_dir():
            return thinned_folder(Path(item))
        is_taken = isinstance(fault, CapturesTakenOut)
        return thinned_out(_book(self.logbook, self.captures, os.getpid()), item) if is_taken else None

    def from_captures(self, item: str) -> ItemAnswer:
        """The readings of one run again, compared with those that were recorded.

        Raises
        ------
        WavewrightError : there is no such run, or its captures are not there.
        """
        outcome, is_folder = self._outcome(item), Path(item).is_dir()
        found = recompute(outcome, self._recipe(outcome), run=item if is_folder else outcome.id, cores=self.cores)
        return ItemAnswer(
            item,
            rows=tuple(_rows(outcome, found)),
            document=document(found),
            status=0 if found.is_same else 1,
        )

    def close(self) -> None:
        """Close the logbook, if this process has it open."""
        if self.logbook and _book.cache_info().currsize:
            _book(self.logbook, self.captures, os.getpid()).close()
            _book.cache_clear()

    def _recipe(self, outcome: Outcome) -> Recipe:
        if self.recipe is None:
            return _own_recipe(outcome.recipe.text, outcome.recipe.file, tuple(sorted(outcome.parameters.items())))
        return _other_recipe(*self.recipe, tuple(sorted(outcome.parameters.items())))


def document(found: Recomputed) -> dict[str, Any]:
    """What was found about one run, as plain JSON; `readings_sha256` of all that was computed, to the last bit."""
    differences = [
        {"name": each.name, "was": _plain(each.was), "now": _plain(each.now), "why": each.why,
         "shown": _shown(each.was, each.now)}
        for each in found.differences
    ]  # fmt: skip
    computed = [measurement_as_json(one) for one in found.outcome.measurements]
    text = json.dumps(computed, ensure_ascii=False, sort_keys=True)
    return {
        "run": found.run,
        "same": found.is_same,
        "same_readings": found.has_same_readings,
        "readings": len(found.outcome.results),
        "readings_sha256": hashlib.sha256(text.encode()).hexdigest(),
        "differences": differences,
    }


def _plain(result: Result | None) -> dict[str, Any] | None:
    if result is None:
        return None
    judged = {"limit": result.limit, "rule": result.rule, "verdict": _word(result), "conformance": result.conformance}
    return {"reading": result.reading.as_json(), **judged}


def _shown(was: Result | None, now: Result | None) -> dict[str, str]:
    """The cells of a table for people."""
    limit = "" if now is None else f"{now.limit}, {now.rule}" if now.is_guarded else now.limit
    values = [NOTHING if one is None else shown_value(one) for one in (was, now)]
    verdicts = [NOTHING if one is None else shown_verdict(one.verdict) for one in (was, now)]
    return {"was": values[0], "now": values[1], "limit": limit, "verdict": " → ".join(dict.fromkeys(verdicts))}


def _rows(was: Outcome, found: Recomputed) -> Iterator[dict[str, Any]]:
    before = was.results
    after = found.outcome.results
    why = {each.name: each.why for each in found.differences}
    for name in dict.fromkeys([*before, *after]):
        old, new = before.get(name), after.get(name)
        row: dict[str, Any] = {
            "run": found.run,
            "started": was.started.isoformat(),
            "part": was.part,
            "serial": was.serial,
            "reading": name,
            "why": why.get(name, ""),
        }
        if old is not None:
            row |= {"value_before": old.reading.value, "verdict_before": _word(old)}
        if new is not None:
            reading = new.reading
            row |= {"value": reading.value, "unit": reading.unit, "uncertainty": reading.uncertainty}
            row |= {"limit": new.limit, "rule": new.rule, "verdict": _word(new), "fault": reading.reason}
        yield row


def _word(result: Result) -> str | None:
    return None if result.verdict is None else str(result.verdict)


@lru_cache(maxsize=1)
def _book(logbook: str, captures: str | None, process: int) -> Logbook:
    """The logbook, opened once per process: to open it takes longer than to recompute a small run."""
    return Logbook.existing(logbook, captures=captures)


@lru_cache(maxsize=8)
def _own_recipe(text: str, name: str, parameters: tuple[tuple[str, str], ...]) -> Recipe:
    return parse_stored_recipe(text, name, set=dict(parameters))


@lru_cache(maxsize=8)
def _other_recipe(text: str, name: str, parameters: tuple[tuple[str, str], ...]) -> Recipe:
    known = parse_recipe(text, name).parameters
    return parse_recipe(text, name, set={key: value for key, value in parameters if key in known})
