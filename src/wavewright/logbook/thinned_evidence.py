"""Evidence folders that a retention rule thins out: outcome and wire log stay, and a note of what went."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from wavewright.durable_files import sync_folder, write_whole
from wavewright.errors import StorageFault, WavewrightError
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.maintenance import Pruned
from wavewright.logbook.outcome_files import CAPTURES, OUTCOME, THINNED, read_outcome
from wavewright.logbook.queries import Filter
from wavewright.logbook.retention import Retention, RunMark
from wavewright.logbook.rows import recipe_name
from wavewright.logbook.spool_folder import spool_beside


def thin_evidence(
    parent: Path, rule: Retention, which: Filter | None = None, *, dry: bool = False, now: datetime | None = None
) -> Pruned:
    """Delete the captures of evidence folders that a rule leaves to go.

    A verdict counts only if it follows from the results. Folders of which the outcome still waits for a logbook, that
    cannot be read, or that are unfinished stay whole.

    Parameters
    ----------
    parent : folder of all outcomes; which : the runs in question, of which the rule takes passes only.
    dry : only count; now : UTC, the clock's if not given.

    Raises
    ------
    StorageFault : a file cannot be deleted.
    """
    moment = now or datetime.now(UTC)
    waiting = set(_waiting(parent))
    marks = {} if not parent.is_dir() else {mark.name: mark for mark in _marks(parent)}
    runs = size = 0
    for mark in rule.disposable(marks.values(), now=moment):
        captures = parent / mark.name / CAPTURES
        if mark.name in waiting or not captures.exists() or not _is_asked(mark, which or Filter()):
            continue
        runs, size = runs + 1, size + captures.stat().st_size
        if not dry:
            _thin(captures, str(rule), moment)
    return Pruned(runs, runs, size)


def _thin(captures: Path, rule: str, moment: datetime) -> None:
    """First the note: a folder without captures and without a note has lost them."""
    try:
        write_whole(captures.with_name(THINNED), json.dumps({"at": moment.isoformat(), "rule": rule}) + "\n")
        captures.unlink()
        sync_folder(captures.parent)
    except OSError as fault:
        raise StorageFault(
            f"the captures cannot be deleted: {fault.strerror or fault}",
            where=str(captures),
            do="close what has it open",
        ) from fault


def _marks(parent: Path) -> Iterator[RunMark]:
    for path in sorted(parent.glob(f"[!.]*/{OUTCOME}")):
        try:
            outcome = read_outcome(path.parent)
            said = json.loads(path.read_text(encoding="utf-8"))["verdict"]
        except (WavewrightError, OSError, ValueError, KeyError):  # whoever imports it hears what is wrong with it
            continue
        verdict = outcome.verdict if said == Verdict.PASS else Verdict(said)
        recipe = outcome.recipe
        yield RunMark(
            path.parent.name, outcome.started, verdict, recipe_name(recipe.file), recipe.sha256,
            outcome.part, outcome.serial,
        )  # fmt: skip


def _waiting(parent: Path) -> Iterator[str]:
    """Names of the folders that files of the spool refer to; one that cannot be read makes nothing go."""
    for path in spool_beside(parent).glob("*"):
        try:
            with path.open(encoding="utf-8", newline="\n") as file:  # other ends of lines may be in texts
                yield from (str(json.loads(line).get("evidence", "")) for line in file)
        except (OSError, ValueError, AttributeError) as fault:
            raise StorageFault(
                "which evidence this waits with cannot be said, and so nothing is deleted",
                where=str(path),
                do="`wavewright logbook forward` enters it, or says what is wrong",
            ) from fault


def _is_asked(mark: RunMark, which: Filter) -> bool:
    """Whether a filter leaves it; what a folder does not say, as its station, leaves none."""
    if which.station or which.batch or which.operator or which.declared or which.simulated is not None:
        return False
    same = all(
        word in (None, said)
        for word, said in ((which.part, mark.part), (which.recipe, mark.recipe), (which.verdict, mark.verdict))
    )
    pattern = None if which.serial is None else ".*".join(map(re.escape, which.serial.split("*")))
    serial = pattern is None or re.fullmatch(pattern, mark.serial, re.DOTALL) is not None
    return (
        same
        and serial
        and (which.since is None or mark.started >= which.since)
        and (which.until is None or mark.started < which.until)
    )
