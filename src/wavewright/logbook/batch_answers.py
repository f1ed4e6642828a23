"""What was asked once for a batch: kept with it as a note, and taken from there when the batch is resumed."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.address import read_address
from wavewright.logbook.book import Logbook
from wavewright.logbook.line_notes import LineJournal, LineNote, NoteKind, note_now
from wavewright.logbook.queries import Filter, entries
from wavewright.logbook.spool_folder import spool_beside
from wavewright.recipe.ask import AskEntry, Once
from wavewright.recipe.recipe import Recipe
from wavewright.running.declared import VARIABLE, Declared, answered


@dataclass(frozen=True, slots=True)
class BatchOfStation:
    """A batch of one recipe at one station; simulated benches and real ones have nothing in common."""

    recipe: str
    batch: str
    station: str
    simulated: bool


@dataclass(frozen=True, slots=True)
class BatchAnswers:
    """The answers that a batch begins with.

    Parameters
    ----------
    given : to be given to each run; what is asked for each unit may be missing.
    of_batch : those that are asked once a batch; before : as they were until now.
    """

    where: BatchOfStation
    given: Mapping[str, str | Declared]
    of_batch: Mapping[str, Declared] = field(default_factory=dict)
    before: Mapping[str, Declared] = field(default_factory=dict)

    def told(self) -> list[str]:
        """What the operator is told of them."""
        return [
            f"{name}: {one.text}, as before in batch {self.where.batch}"
            if one.text == before.text
            else f"{name}: {one.text} from here on; it was {before.text} in batch {self.where.batch} until now"
            for name, one in self.of_batch.items()
            if (before := self.before.get(name)) is not None
        ]

    def note(self, *, operator: str) -> LineNote | None:
        """What is to be noted of them; None where the batch has them already."""
        texts, known = ({name: one.text for name, one in those.items()} for those in (self.of_batch, self.before))
        if texts == known:
            return None
        return note_now(
            NoteKind.DECLARED, station=self.where.station, operator=operator, batch=self.where.batch,
            recipe=self.where.recipe, simulated=self.where.simulated, before=known,
            declared={name: asdict(one) for name, one in self.of_batch.items()},
        )  # fmt: skip


def batch_answers(
    recipe: Recipe,
    where: BatchOfStation,
    given: Mapping[str, str],
    desk: object,
    *,
    logbook: str | Path,
    out: Path | None,
    environment: Mapping[str, str] = os.environ,
) -> BatchAnswers:
    """The answers to what a recipe asks once a batch: given, from the environment, as before in it, or else asked.

    Parameters
    ----------
    out : folder of the evidence, which has the spool beside it.

    Raises
    ------
    Misuse : as for `answered`.
    """
    once = {name: entry for name, entry in recipe.ask.items() if entry.is_asked and entry.once is Once.BATCH}
    before = _kept(where, logbook, out) if once else {}
    kept = {
        name: before[name]
        for name, entry in once.items()
        if name in before and name not in given and not environment.get(VARIABLE + name.upper())
        if _fits(entry, before[name])
    }
    found = answered(recipe.ask, {**given, **kept}, desk, only=Once.BATCH, environment=environment)
    of_batch = {name: one for name, one in found.items() if name in once and isinstance(one, Declared)}
    return BatchAnswers(where, found, of_batch, {name: one for name, one in before.items() if name in once})


def _fits(entry: AskEntry, kept: Declared) -> bool:
    """Whether the recipe, which may be another one by now, still takes it."""
    try:
        answer = entry.answer(kept.text)
    except Misuse:
        return False
    return (answer.value, answer.unit) == (kept.value, kept.unit)


def _kept(where: BatchOfStation, logbook: str | Path, out: Path | None) -> dict[str, Declared]:
    """What the batch was begun with, or was changed to last; of one that has no such note, what its newest run says."""
    address = read_address(logbook)
    try:
        if address.is_file and not Path(address.shown).exists():
            return {}
        with Logbook(logbook) as book:
            notes = LineJournal(book, spool_beside(out), identity=book.identity).notes()
            return _noted(where, notes) or _of_newest_run(where, book)
    except StorageFault:  # it is away: who is there is asked again, or hears next that it cannot be reached
        return {}


def _noted(where: BatchOfStation, notes: Iterable[LineNote]) -> dict[str, Declared]:
    own = [
        note
        for note in notes
        if note.kind is NoteKind.DECLARED
        and note.station == where.station
        and (note.says["recipe"], note.says["batch"], note.says["simulated"])
        == (where.recipe, where.batch, where.simulated)
    ]
    return {name: Declared(**one) for name, one in own[-1].says["declared"].items()} if own else {}


def _of_newest_run(where: BatchOfStation, book: Logbook) -> dict[str, Declared]:
    which = Filter(recipe=where.recipe, batch=where.batch, station=where.station, simulated=where.simulated)
    newest = entries(book, which, most=1)
    return dict(book.outcome(newest[0].id).declared) if newest else {}


Say = Callable[[str], object]


def keep_answers(answers: BatchAnswers, journal: LineJournal, *, operator: str, say: Say) -> None:
    """Note the answers of a batch where they are new, and say those that it had already.

    Raises
    ------
    StorageFault : neither the logbook nor the spool takes the note.
    """
    for line in answers.told():
        say(line)
    if (note := answers.note(operator=operator)) is not None:
        journal.write(note)
