"""What comes into a logbook from files: checked whole, judged again, and entered once."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from sqlalchemy import select

from wavewright.errors import FileFault, Place, WavewrightError
from wavewright.logbook.book import Logbook, new_id
from wavewright.logbook.judged_again import unfollowed, unfollowed_by_captures
from wavewright.logbook.outcome_files import (
    CAPTURES,
    OUTCOME,
    attached_beside,
    outcome_from_json,
    read_document,
    read_outcome,
)
from wavewright.logbook.outcome_form import check_line, check_texts, read_json
from wavewright.logbook.tables import microseconds, outcomes
from wavewright.logbook.unfinished import recover
from wavewright.running.attachment import Attachment
from wavewright.running.outcome import Outcome

Progress = Callable[[str, int, int], object]


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import brought: runs that are new, runs that were in the logbook already, runs that were cut off.

    `notes` : runs that could be judged again from their values only, and why.
    """

    new: int
    known: int
    cut_off: int = 0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Given:
    """One run from a file: what the logbook shall hold of it, and where it is."""

    id: str
    outcome: Outcome
    station: str
    batch: str
    document: Mapping[str, Any] = field(repr=False)
    where: Place


def import_outcomes(book: Logbook, path: Path, *, station: str = "", say: Progress = lambda *_: None) -> Imported:
    """Enter what another logbook exported as `.jsonl`, a file of the spool, or evidence folders that runs have written.

    A folder is an evidence folder itself, or holds such folders; of what killed runs have left, evidence is made first.
    Captures come along with folders and from the spool, attached files with these and from the folder beside a `.jsonl`
    file. Runs that are in the logbook already (same id, or same start,
    serial number and recipe) are left as they are. Every run is judged again: from its captures where they come along,
    else from its values.

    Parameters
    ----------
    say : gets what is done now, for how many runs it has been done, and how many there are.

    Raises
    ------
    FileFault : a line or a folder is not what it should be, or a verdict does not follow; nothing is entered then.
    """
    cut_off = recover(path) if path.is_dir() else []
    if not path.exists() and len(cut_off) == 1:  # the folder that was named has its own name now
        path = cut_off[0]
    found = list(_from_folder(path, station, say) if path.is_dir() else from_lines(path))
    known = _known(book)
    new = [one for one in found if one.id not in known and _mark(one.outcome) not in known]
    faults: list[FileFault] = []
    notes: list[str] = []
    for done, one in enumerate(new):
        say("judging", done, len(new))
        each = (*one.outcome.attachments, *one.outcome.added)
        if left := [attached.name for attached in each if not attached.is_note and not attached.is_here]:
            notes.append(f"{one.where}: attached files that did not come along: {', '.join(left)}")
        try:
            notes += judge_again(one)
        except FileFault as fault:
            faults += fault.faults or [fault]
    if faults:
        raise FileFault.joined(faults)
    say("entering", len(new), len(new))
    entered = enter_given(book, new)
    return Imported(len(entered), len(found) - len(entered), len(cut_off), tuple(notes))


def enter_given(book: Logbook, found: list[Given]) -> list[str]:
    """Enter those that are not in the logbook yet, in one transaction; returns their ids."""
    return book.enter_named(
        ((one.id, one.outcome, one.station, one.batch) for one in found),
        only_new=True,
    )


def judge_again(one: Given) -> list[str]:
    """Judge a run again, and say what could not be done for it.

    Raises
    ------
    FileFault : a verdict that does not follow; each of them is named.
    """
    wrong = list(unfollowed(one.outcome, one.document))
    notes: list[str] = []
    if not wrong and one.outcome.captures:
        try:
            wrong = list(unfollowed_by_captures(one.outcome, one.document))
        except WavewrightError as fault:
            notes.append(f"{one.where}: judged by its values, its captures cannot be computed again: {fault.what}")
    if wrong:
        raise FileFault.joined(
            [
                FileFault(what, where=one.where, expected="what follows from what was measured", do="measure again")
                for what in wrong
            ]
        )
    return notes


def from_lines(path: Path) -> Iterator[Given]:
    """The runs in a file of JSON lines; the captures of a line from the spool come from its evidence.

    Raises
    ------
    FileFault : the file cannot be read, or lines are not what they should be: all of them are named.
    """
    faults: list[FileFault] = []
    found: dict[str, tuple[int, str]] = {}
    given: list[Given] = []
    try:
        with path.open(encoding="utf-8", newline="\n") as file:  # other ends of lines may be in texts
            for number, line in enumerate(file, 1):
                if not line.strip():
                    continue
                try:
                    one = _from_line(path, number, line)
                except FileFault as fault:
                    faults += fault.faults or [fault]
                    continue
                before = found.setdefault(one.id, (number, line.strip()))
                if before[1] != line.strip():
                    what = f"`id`: {one.id} is that of line {before[0]} too"
                    faults.append(FileFault(what, where=one.where, expected="another id for another run"))
                elif before[0] == number:
                    given.append(one)
    except (OSError, UnicodeDecodeError) as fault:
        raise FileFault(f"cannot be read: {fault}", where=str(path), expected="a .jsonl file or a folder") from fault
    if faults:
        raise FileFault.joined(faults)
    yield from given


def _from_line(path: Path, number: int, line: str) -> Given:
    where = Place(str(path), number)
    plain = read_json(line, where=where)
    check_line(plain, where=where)
    try:
        outcome = outcome_from_json(plain["outcome"])
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise FileFault(
            f"not an exported outcome: {type(fault).__name__}: {fault}",
            where=where,
            expected="a line that `wavewright logbook export FILE.jsonl` has written",
        ) from fault
    beside = attached_beside(path)
    added = tuple(Attachment.from_json(one) for one in plain.get("added", ()))
    attachments, added = (tuple(_located(one, beside) for one in those) for those in (outcome.attachments, added))
    outcome = replace(outcome, attachments=attachments, added=added)
    if evidence := plain.get("evidence"):
        folder = path.parent.parent / Path(evidence).name  # beside the spool, and nowhere else
        if (folder / CAPTURES).exists():
            there = read_outcome(folder)
            locate = next((one.locate for one in there.attachments), None)
            attachments = tuple(replace(one, locate=locate) for one in outcome.attachments)
            outcome = replace(outcome, captures=there.captures, attachments=attachments)
    return Given(plain["id"], outcome, plain["station"], plain["batch"], plain["outcome"], where)


def _located(one: Attachment, folder: Path) -> Attachment:
    """An attachment with the place of its file, if that came along."""
    if one.is_note or not (folder / one.sha256).is_file():
        return one
    return replace(one, locate=folder.joinpath)


def _from_folder(path: Path, station: str, say: Progress) -> Iterator[Given]:
    folders = [path] if (path / OUTCOME).exists() else sorted(below.parent for below in path.glob(f"[!.]*/{OUTCOME}"))
    if not folders and not any(path.glob(".*")):
        raise FileFault(
            "no evidence in this folder", where=str(path), expected=f"a folder with {OUTCOME}, or such folders"
        )
    for done, folder in enumerate(folders):
        say("reading", done, len(folders))
        where, document = Place(str(folder / OUTCOME)), read_document(folder)
        check_texts(document, where=where)
        outcome = replace(read_outcome(folder), folder=None)
        yield Given(new_id(outcome), outcome, station, "", document, where)


def _known(book: Logbook) -> set[object]:
    columns = (outcomes.c.id, outcomes.c.started, outcomes.c.serial, outcomes.c.recipe_sha256)
    with book.reading() as connection:
        found = connection.execute(select(*columns)).all()
    return {row.id for row in found} | {(row.started, row.serial, row.recipe_sha256) for row in found}


def _mark(outcome: Outcome) -> tuple[int, str, str]:
    return microseconds(outcome.started), outcome.serial, outcome.recipe.sha256
