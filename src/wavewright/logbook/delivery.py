"""Where the outcome of a run goes: into the logbook or, while that is away, into the spool."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from wavewright.errors import StorageFault, WavewrightError
from wavewright.logbook.address import read_address
from wavewright.logbook.book import Logbook, new_id
from wavewright.logbook.code_store import CodeStore
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.line_notes import LineNote, note_entries
from wavewright.logbook.rows import recipe_name
from wavewright.logbook.spool import Forwarded, forward, put_aside
from wavewright.logbook.spool_folder import spool_beside
from wavewright.logbook.unit_admission import LineRecords
from wavewright.running.outcome import Outcome


class Delivery:
    """A logbook for one run: opened before anything is sent, and forwarded to what waits for it.

    Parameters
    ----------
    logbook : path or URL; out : folder of the evidence, which has the spool beside it; None for the user's.
    captures : as for `Logbook`.
    may_be_away : go on if the logbook cannot be reached: in a batch that has begun, say.
    say : shows the operator, in one line each, what waits and what was forwarded.

    Raises
    ------
    StorageFault : the logbook cannot be reached, and must be.
    """

    def __init__(
        self,
        logbook: str | Path,
        *,
        out: Path | None,
        may_be_away: bool,
        say: Callable[[str], None],
        captures: str | Path | None = None,
    ) -> None:
        self._address = read_address(logbook)
        self._out, self._spool, self._say = out, spool_beside(out), say
        self._book: Logbook | None = None
        self._why = ""
        try:
            self._book = Logbook(logbook, captures=captures)
            forward_waiting(self._book, out, say=say)
        except StorageFault as fault:
            if not may_be_away:
                raise
            self._why = fault.what

    @property
    def codes(self) -> CodeStore | None:
        """The store that gets the codes as they come; None while the logbook is away."""
        return None if self._book is None else self._book.codes

    @property
    def records(self) -> LineRecords:
        """What is known here of the line."""
        return LineRecords.of(self._book, self._spool, identity=self._address.identity)

    def close(self) -> None:
        """Close the logbook."""
        if self._book is not None:
            self._book.close()

    def deliver(
        self,
        outcome: Outcome,
        collected: Outcome,
        *,
        station: str,
        batch: str,
        notes: Callable[[Outcome], Sequence[LineNote]] = lambda outcome: (),
    ) -> Outcome:
        """Enter an outcome, or let it wait; returns it with its id and, if it waits, the file that it waits in.

        Notes that follow from it come into the logbook with it or not at all; where they wait, they do so before it:
        a kill may leave a unit set apart whose run is in its evidence alone, and none that goes on without its note.

        Parameters
        ----------
        outcome : as it lies in its evidence; collected : the same with the captures that the logbook has by now.
        notes : what is to be noted of the line, of the outcome with its id.

        Raises
        ------
        StorageFault : neither the logbook nor the spool takes it.
        """
        identifier = new_id(outcome)
        noted = notes(replace(outcome, id=identifier))
        if self._book is not None:
            try:
                named = (identifier, collected, station, batch)
                self._book.enter_named([named], beside=note_entries(noted))
                for line in brought_lines(self._book):
                    self._say(line)
                return replace(outcome, id=identifier)
            except StorageFault as fault:
                self._why = fault.what
        whole = self._with_evidence(outcome)
        self.records.journal.put_aside(noted)
        logbook = self._address.identity
        path = put_aside(self._spool, whole, identifier=identifier, station=station, batch=batch, logbook=logbook)
        self._say(
            f"{self._address.shown}: {self._why}; the outcome waits in {path}, and the next run or"
            " `wavewright logbook forward` enters it"
        )
        return replace(whole, id=identifier, waits_in=path)

    def _with_evidence(self, outcome: Outcome) -> Outcome:
        """The outcome in a folder beside the spool; captures that were in memory only are written now."""
        if outcome.folder is not None:
            return outcome
        recipe = recipe_name(outcome.recipe.file)
        with Evidence(self._spool.parent, started=outcome.started, recipe=recipe, serial=outcome.serial) as evidence:
            outcome = replace(outcome, attachments=evidence.attach(outcome.attachments))
            for label, shots in outcome.captures.items():
                for shot in shots:
                    evidence.keep(label, shot)
            return evidence.finish(outcome)


def forward_waiting(book: Logbook, out: Path | None, *, say: Callable[[str], None]) -> None:
    """Enter what waits for a logbook beside the evidence and in the user's own spool; whatever fails is said."""
    for spool in dict.fromkeys((spool_beside(out), spool_beside(None))):
        try:
            found = forward(book, spool)
        except (WavewrightError, OSError) as fault:
            say(f"{spool}: what waits there could not be forwarded: {str(fault).splitlines()[0]}")
            continue
        for line in forwarded_lines(found, spool):
            say(line)


def brought_lines(book: Logbook) -> list[str]:
    """Bring captures to the shared store, if there is one; returns what is to be said: nothing if it took them all."""
    try:
        book.codes.send_waiting()
    except StorageFault as fault:
        count = len(book.codes.waiting())
        return [
            f"{fault.where}: {fault.what}; {count} files of captures wait in {book.codes.folder}, and the next run or"
            " `wavewright logbook forward` brings them there"
        ]
    return []


def forwarded_lines(found: Forwarded, spool: Path) -> list[str]:
    """What is to be said of a spool that was forwarded; nothing where nothing waited for this logbook."""
    lines = []
    if found.entered or found.known:
        known = f", {found.known} were in it already" if found.known else ""
        lines.append(f"{found.entered} outcomes that waited in {spool} were entered into the logbook{known}")
    lines += [f"stays in the spool: {fault}" for fault in found.faults]
    return lines
