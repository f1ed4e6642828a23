"""The status of an instrument, read over its link: the error queue, and whether it was switched off and on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, suppress
from typing import Any, Protocol

from wavewright.errors import BadAnswer, Complaint, LinkLost, NoAnswer
from wavewright.instruments.compound_query import QueryUnit
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.error_queue import QUEUE_OVERFLOW, ErrorEntry, listed, read_error_entry
from wavewright.instruments.scpi import read_number, read_register
from wavewright.instruments.wire_settings import WireSettings

MOST_ERRORS = 100  # entries read before we give up on a queue that never empties
_WIDEST, _BYTE = 0xFFFF, 0xFF  # of a register; IEEE 488.2-1992, 11.2 and 11.5 †


class Asked(Protocol):
    """What is needed of a link."""

    manners: WireSettings

    @property
    def where(self) -> str:
        """Address and name."""

    @property
    def takes_several(self) -> bool:
        """Whether the instrument takes several queries in one message."""

    def ask(self, message: str) -> str:
        """The answer to a query."""

    def ask_each(self, units: Sequence[QueryUnit]) -> list[Any]:
        """The answers to several queries."""

    def naming(self, doing: str) -> AbstractContextManager[None]:
        """Errors raised inside get the instrument's name."""


class Status:
    """Error queue (SCPI-99 volume 2, 21.8) and event register (IEEE 488.2-1992, 11.5) of one instrument.

    Whether there are errors is seen in the event register where the profile says that it shows them; the queue is read
    when it does. What a register says is kept until it has been complained of, for reading clears it.
    """

    def __init__(self, link: Asked) -> None:
        self._link = link
        self._has_restarted = False
        self._has_errors = False  # a register said so, or the first entry of the queue was one
        self._found: list[ErrorEntry] = []  # read already, and not complained of yet
        self.watches_restarts = False

    @property
    def error_units(self) -> tuple[QueryUnit, ...]:
        """What is asked for errors: the register that shows them, or the queue itself."""
        manners = self._link.manners
        return self._units(manners.error_sign if manners.error_bits else manners.error_query)

    @property
    def units(self) -> tuple[QueryUnit, ...]:
        """What is asked for errors and restarts: one query where one register shows both."""
        restarts = self._link.manners.event_query if self.watches_restarts else ""
        return self._units(*(unit.text for unit in self.error_units), restarts)

    @property
    def thorough_units(self) -> tuple[QueryUnit, ...]:
        """As `units`, and the queue itself: an instrument may fill it without a sign."""
        return self._units(*(unit.text for unit in self.units), self._link.manners.error_query)

    @property
    def set_up_units(self) -> tuple[QueryUnit, ...]:
        """What is asked with a group of settings: all of it where it costs no message more."""
        return self.thorough_units if self._link.manners.compound else self.error_units

    def errors(self, ask: Callable[[str], str] | None = None) -> tuple[ErrorEntry, ...]:
        """Empty the error queue: every entry until `no error`, an overflow twice, MOST_ERRORS, or the time is up.

        No further entry is asked for once the time of an answer is up.

        Parameters
        ----------
        ask : how a query is sent; the link's own way if None.

        Raises
        ------
        BadAnswer : an answer that is not an entry.
        NoAnswer, LinkLost : not even the first one came.
        """
        manners, found = self._link.manners, list[ErrorEntry]()
        until = Deadline(manners.timeout)
        while manners.error_query and len(found) < MOST_ERRORS and not (found and until.has_passed):
            try:
                answer = (ask or self._link.ask)(manners.error_query)
            except (NoAnswer, LinkLost):
                if found:  # what has come is a complaint all the same
                    break
                raise
            with self._link.naming(manners.error_query):
                entry = read_error_entry(answer, manners.error_pattern)
            if entry.code == manners.no_error or (entry.code == QUEUE_OVERFLOW and entry in found):
                break
            found.append(entry)
        return tuple(found)

    def check(self, doing: str, *, thoroughly: bool = False) -> None:
        """See that there are no errors, and that the instrument has not been switched off and on.

        Parameters
        ----------
        thoroughly : ask the queue itself, whatever a register says.

        Raises
        ------
        Complaint : there are; names every entry, and `doing`. Or it has, so all its settings are lost.
        """
        self._link.ask_each(self.thorough_units if thoroughly else self.units)
        self.complain(doing)

    def check_errors(self, doing: str) -> None:
        """As `check`, of errors alone where restarts show elsewhere."""
        self._link.ask_each(self.error_units)
        self.complain(doing)

    def complain(self, doing: str) -> None:
        """Complain of what `units` have shown; their answers have come. Asks for the rest of the queue.

        Raises
        ------
        Complaint : as `check`.
        """
        self._complain_of_restart()
        if not (self._found or self._has_errors):
            return
        self._has_errors = False
        entries, self._found = tuple(self._found), []
        if not entries or entries[-1].code != QUEUE_OVERFLOW:
            entries += self.errors()
        if entries:
            raise Complaint(
                f"{doing}: the instrument says {listed(entries)}",
                where=self._link.where,
                expected="an empty error queue",
                do="; ".join(dict.fromkeys(entry.explanation for entry in entries if entry.explanation)),
            )
        manners = self._link.manners
        if not manners.error_query:
            raise Complaint(
                f"{doing}: `{manners.error_sign}` says that there was an error",
                where=self._link.where,
                expected=f"none of its bits {manners.error_bits}",
            )

    def save_errors(self, ask: Callable[[str], str]) -> None:
        """Keep what is in the queue, before it is cleared, for the next complaint.

        What the failed exchange itself may have caused, errors of commands and of queries, is left out.
        """
        self._found += [
            entry for entry in self.errors(ask) if not (-199 <= entry.code <= -100 or -499 <= entry.code <= -400)
        ]

    def forget(self) -> None:
        """Empty the queue and its sign, and think no more of it."""
        self._link.ask_each(self.units)
        self.errors()
        self._found, self._has_errors = [], False

    def watch_restarts(self, beside: Sequence[QueryUnit] = ()) -> list[Any] | None:
        """From now on, its known state, it is noticed when the instrument is switched off and on.

        Parameters
        ----------
        beside : asked in the same message, where the instrument takes several queries in one.

        Returns
        -------
        The answers to these; None if they were not asked, or did not all come.

        Raises
        ------
        Complaint : its error queue is not empty.
        NoAnswer : it has no event register; its profile should say so.
        """
        manners = self._link.manners
        self._found, self._has_errors, self._has_restarted = [], False, False
        self.watches_restarts = bool(manners.event_query)
        units, answers = self.thorough_units, None
        try:
            if beside and self._link.takes_several:
                with suppress(NoAnswer, BadAnswer):
                    answers = self._link.ask_each([*units, *beside])[len(units) :]
            if answers is None:
                self._link.ask_each(units)  # reading clears what happened before
        except NoAnswer as fault:
            self.watches_restarts = False
            if manners.event_query:
                fault.do = fault.do or 'if it has no event register, let its profile say `restarted: {ask: ""}`'
            raise
        self._has_restarted = False
        self.complain("bringing it to a known state")
        return answers

    def check_restart(self) -> None:
        """See that the instrument has not been switched off and on since its known state.

        Raises
        ------
        Complaint : it has, so all its settings are lost.
        """
        if self.watches_restarts:
            self._link.ask_each([self._unit(self._link.manners.event_query)])
        self._complain_of_restart()

    def note_events(self, answer: str) -> None:
        """Remember whether power-on is among the events of an answered register, and whether an error is."""
        self.note(self._link.manners.event_query, answer)

    def note(self, query: str, answer: str) -> None:
        """As `note_events`, of whatever was asked."""
        if query in (self._link.manners.event_query, self._link.manners.error_sign):
            with suppress(BadAnswer, ValueError, OverflowError):
                self._note(query, int(read_number(answer)))

    def _units(self, *queries: str) -> tuple[QueryUnit, ...]:
        return tuple(self._unit(query) for query in dict.fromkeys(queries) if query)

    def _unit(self, query: str) -> QueryUnit:
        manners = self._link.manners
        if query == manners.error_query and query not in (manners.error_sign, manners.event_query):
            return QueryUnit(query, self._read_entry, is_of_status=True)
        return QueryUnit(query, lambda answer: self._read_register(query, answer), is_of_status=True)

    def _read_entry(self, answer: str) -> None:
        manners = self._link.manners
        entry = read_error_entry(answer, manners.error_pattern)
        if entry.code != manners.no_error:
            self._found.append(entry)
            self._has_errors = True

    def _read_register(self, query: str, answer: str) -> None:
        self._note(query, read_register(answer, most=_BYTE if query in ("*ESR?", "*STB?") else _WIDEST))

    def _note(self, query: str, value: int) -> None:
        manners = self._link.manners
        if query == manners.error_sign:
            self._has_errors |= bool(value & manners.error_bits)
        if query == manners.event_query and self.watches_restarts:
            self._has_restarted |= bool(value & manners.power_on_bit)

    def _complain_of_restart(self) -> None:
        if self._has_restarted:
            raise Complaint(
                f"`{self._link.manners.event_query}` says that it was switched off and on: its settings are lost",
                where=self._link.where,
                do="look for a loose lead of its supply, then start the measurement again",
            )
