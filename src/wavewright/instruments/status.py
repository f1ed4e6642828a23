"""The status of an instrument, read over its link: the error queue, and whether it was switched off and on."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, suppress
from typing import Protocol

from wavewright.errors import BadAnswer, Complaint, LinkLost, NoAnswer
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.error_queue import QUEUE_OVERFLOW, ErrorEntry, listed, read_error_entry
from wavewright.instruments.scpi import read_number
from wavewright.instruments.wire_settings import WireSettings

MOST_ERRORS = 100  # entries read before we give up on a queue that never empties


class Asked(Protocol):
    """What is needed of a link."""

    manners: WireSettings

    @property
    def where(self) -> str:
        """Address and name."""

    def ask(self, message: str) -> str:
        """The answer to a query."""

    def naming(self, doing: str) -> AbstractContextManager[None]:
        """Errors raised inside get the instrument's name."""


class Status:
    """Error queue (SCPI-99 volume 2, 21.8) and event register (IEEE 488.2-1992, 11.5) of one instrument."""

    def __init__(self, link: Asked) -> None:
        self._link = link
        self._has_restarted = False
        self.watches_restarts = False

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

    def check_errors(self, doing: str) -> None:
        """Empty the error queue and complain of what was in it.

        Raises
        ------
        Complaint : it was not empty; names every entry, and `doing`.
        """
        if entries := self.errors():
            raise Complaint(
                f"{doing}: the instrument says {listed(entries)}",
                where=self._link.where,
                expected="an empty error queue",
                do="; ".join(dict.fromkeys(entry.explanation for entry in entries if entry.explanation)),
            )

    def watch_restarts(self) -> None:
        """From now on, its known state, it is noticed when the instrument is switched off and on.

        Raises
        ------
        NoAnswer : it has no event register; its profile should say so.
        """
        if not self._link.manners.event_query:
            return
        try:
            self._link.ask(self._link.manners.event_query)  # reading clears what happened before
        except NoAnswer as fault:
            fault.do = fault.do or 'if it has no event register, let its profile say `restarted: {ask: ""}`'
            raise
        self.watches_restarts, self._has_restarted = True, False

    def check_restart(self) -> None:
        """See that the instrument has not been switched off and on since its known state.

        Raises
        ------
        Complaint : it has, so all its settings are lost.
        """
        if self.watches_restarts:
            self.note_events(self._link.ask(self._link.manners.event_query))
        if self._has_restarted:
            raise Complaint(
                f"`{self._link.manners.event_query}` says that it was switched off and on: its settings are lost",
                where=self._link.where,
                do="look for a loose lead of its supply, then start the measurement again",
            )

    def note_events(self, answer: str) -> None:
        """Remember whether power-on is among the events of an answered register."""
        with suppress(BadAnswer, ValueError, OverflowError):
            self._has_restarted |= bool(int(read_number(answer)) & self._link.manners.power_on_bit)
