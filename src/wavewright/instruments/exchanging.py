"""Queries and answers over one connection, within stated times, and in step whatever fails.

One query is answered before the next is sent. When an answer fails to come, or comes wrong, or an exchange is broken
off, the link is out of step: the answer may still arrive and would be taken for that of the next query (on a raw
socket; elsewhere IEEE 488.2-1992, 6.3 makes it error -410). So the next use begins with `recover`.

One deadline governs an exchange: the time-out of its answer and, after it, the profile's recovery time for all that a
failure entails: getting back into step, asking again, asking why. What is asked to explain a failure is neither asked
again nor explained itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

from wavewright.errors import BadAnswer, LinkLost, Misuse, NoAnswer, WireFault
from wavewright.instruments import scpi, waits
from wavewright.instruments.answer_text import text_of
from wavewright.instruments.blocks import definite_block
from wavewright.instruments.compound_query import QueryUnit
from wavewright.instruments.connection import Connect, Connection
from wavewright.instruments.deadlines import Allowance, Deadline
from wavewright.instruments.dialogue import Dialogue
from wavewright.instruments.error_queue import listed
from wavewright.instruments.spent_time import SpentTime, TimePart
from wavewright.instruments.status import Status
from wavewright.instruments.visa_faults import named_faults
from wavewright.instruments.wire_log import WireLog
from wavewright.instruments.wire_settings import WireSettings
from wavewright.instruments.wires import Wire, holds_more

T = TypeVar("T")

HALF = 0.5  # of the time that is left, for each thing that is tried after a failure
A_MOMENT = 0.05  # s; between two attempts to reach an instrument that has gone
AT_ONCE = 0.1  # s; a message goes into the operating system's buffer, or the instrument takes nothing any more
_LOOK = "check whether it is on, busy or locked up; switch it off and on if necessary"


class Exchanging:
    """What goes to and fro between us and one instrument; `Link` sends the queries.

    Parameters
    ----------
    connect : opens a wire within this many s; called again when a stream must be opened anew to get back into step.
    name : what the bench calls it, for messages and the wire log.

    Attributes
    ----------
    status : the instrument's error queue and event register.
    allow : called before each message; raises where the time of a whole run is used up.
    times : the account of where time goes; a run gives all its links the same.
    """

    def __init__(
        self,
        connect: Connect,
        *,
        resource: str,
        name: str = "",
        manners: WireSettings | None = None,
        wire_log: WireLog | None = None,
        pause: Callable[[float], None] = waits.sleep,
    ) -> None:
        self.resource, self.name, self.manners = resource, name or resource, manners or WireSettings()
        self.identity = ""
        self.allow: Callable[[], None] = _always
        self.times = SpentTime()
        self._pause = pause
        self._open_query = ""  # sent, and its answer not read to the end
        self._lost = ""  # why the instrument does not recover, once that is known
        self._answers = 0  # read to their end
        self._allowance = Allowance()
        self.status = Status(self)
        self._dialogue = Dialogue(self.name, wire_log)
        self._connection = Connection(connect, self._dialogue, resource=resource)
        self._connection.open(self.manners.connect_timeout)

    @contextmanager
    def within(self, seconds: float) -> Iterator[None]:
        """Inside the block all that is exchanged has this many seconds together, whatever fails and is recovered."""
        with self.times.on(TimePart.ANSWERS), self._allowance.within(seconds):
            yield

    def end_with(self, moment: Deadline, *, allow: Callable[[], None]) -> None:
        """Exchange nothing after a moment, but what is urgent.

        Parameters
        ----------
        allow : called before each message, and when one was not answered; raises where the moment has passed.
        """
        self._allowance.end_with(moment)
        self.allow = allow

    @contextmanager
    def urgent(self) -> Iterator[None]:
        """For what must be tried in any case: no run's limit counts, and an instrument that was lost is tried again.

        All of it ends within the time-out of an answer and the recovery time; within half of the latter for an
        instrument that is known not to answer.
        """
        allow, self.allow = self.allow, _always
        seconds = HALF * self.manners.recovery if self.is_lost else self.manners.timeout + self.manners.recovery
        self._lost = ""
        try:
            with self._allowance.free(seconds):
                yield
        finally:
            self.allow = allow

    def try_again(self) -> None:
        """Inside `urgent`, after a moment: an instrument that has just gone may be coming back."""
        self._lost = ""
        self._pause(A_MOMENT)

    @property
    def is_in_step(self) -> bool:
        """Whether the last answer came and was read to its end."""
        return not (self._lost or self._open_query)

    @property
    def is_lost(self) -> bool:
        """Whether the instrument did not come back when it was last tried; until it is tried anew, nothing is sent."""
        return bool(self._lost)

    @property
    def time_is_up(self) -> bool:
        """Whether the time of the block that is governed by `within` or `urgent` is used up."""
        return self._allowance.is_used_up

    def recover(self, *, keep_errors: bool = False) -> None:
        """Get back into step after an answer that did not come, or came wrong.

        Device clear where the wire has one. Else the connection is opened anew, and the identity asked for until it
        comes: answers in front of it belong to earlier queries.

        Parameters
        ----------
        keep_errors : leave the error queue as it is, for somebody to read.

        Raises
        ------
        LinkLost : the instrument does not recover.
        """
        query, self._open_query, self._lost = self._open_query, "", ""
        self._dialogue.event(f"getting back into step after {query}")
        try:
            with (
                self.within(self.manners.recovery),
                self._faults("while getting back into step after", query),
            ):
                deadline = self._allowance.part(self.manners.recovery)
                if not self._connection.clear_device(deadline):
                    self._connection.open_anew(deadline)
                    self._await_identity(deadline)
                self._look_for_restart()
                if self.manners.clear_status and not keep_errors:
                    self._send(self.manners.clear_status)
        except BaseException as fault:
            self._open_query = query or "?"
            if isinstance(fault, NoAnswer | BadAnswer):
                raise self._gone(fault.what) from fault
            if isinstance(fault, LinkLost):
                fault.what = f"the instrument does not recover: {fault.what}"
                self._lost = fault.what
            raise

    @property
    def where(self) -> str:
        """Address and name, as messages begin."""
        return self.resource if self.name == self.resource else f"{self.resource} ({self.name})"

    def ask(self, message: str, *, timeout: float | None = None, repeatable: bool = False) -> str:
        """The answer to a query, without its terminator.

        Parameters
        ----------
        timeout : s; the instrument's usual patience if None.
        repeatable : asking twice changes nothing in the instrument, so a missing or garbled answer is asked for again.

        Raises
        ------
        NoAnswer, BadAnswer, LinkLost : after which the link is back in step, or lost.
        """
        return self._exchange(message, self._read_text, timeout=timeout, repeatable=repeatable)

    def ask_each(self, units: Sequence[QueryUnit]) -> list[Any]:
        """The values of several queries, in order; `Link` puts them into few messages."""
        raise NotImplementedError

    @property
    def takes_several(self) -> bool:
        """Whether the instrument takes several queries in one message; `Link` knows."""
        raise NotImplementedError

    def _exchange(
        self,
        message: str,
        read: Callable[[Wire, Deadline], T],
        *,
        timeout: float | None,
        repeatable: bool,
        keeps_errors: bool = False,
    ) -> T:
        self.allow()
        patience = self.manners.timeout if timeout is None else timeout
        with self.within(patience + self.manners.recovery):
            try:
                return self._exchange_once(message, read, patience)
            except (NoAnswer, BadAnswer) as fault:
                first = fault
            self.allow()
            if repeatable:
                self._dialogue.event(f"asking again after {type(first).__name__}: {first.what}")
                try:
                    self._recover_keeping(keeps_errors)
                    return self._exchange_once(message, read, patience, share=HALF)
                except (NoAnswer, BadAnswer) as fault:
                    first = fault if isinstance(first, BadAnswer) else first
                except LinkLost as lost:
                    raise self._also(first, lost) from first
            self._dialogue.event(f"{type(first).__name__}: {first.what}")
            self._explain(first, message)
            raise first

    def _recover_keeping(self, errors: bool) -> None:
        """Get back into step; with `errors`, what the error queue holds is kept for the next complaint of it.

        For queries whose answer was the sign that the queue holds anything: that is gone with the answer.
        """
        if not errors:
            self.recover()
            return
        self.recover(keep_errors=True)
        with suppress(NoAnswer, BadAnswer):  # then it is still there
            self.status.save_errors(self._ask_plainly)

    def _exchange_once(
        self, message: str, read: Callable[[Wire, Deadline], T], patience: float, *, share: float = 1.0
    ) -> T:
        """One query and its answer, without any explanation, in at most this share of the time that is left."""
        self._get_into_step()
        deadline = self._allowance.part(patience, share=share, stall=self.manners.timeout)
        with self._faults("after", message, waited=deadline.timeout):
            self._open_query = message
            wire = self._connection.wire
            if wire.is_something_waiting():
                raise BadAnswer(
                    f"`{scpi.shorten(wire.drain(deadline))}` had arrived before `{scpi.shorten(message)}` was sent: "
                    "an answer to an earlier query"
                )
            self._send(message, of=deadline)
            answer = read(wire, deadline)
            if holds_more(wire):  # a block whose count is too small can end in a sample that is NL
                raise BadAnswer(f"`{scpi.shorten(wire.drain(deadline))}` follows the answer", expected="its end")
            self._open_query = ""
        self._answers += 1
        return answer

    def _read_text(self, wire: Wire, deadline: Deadline) -> str:
        line = wire.read_line(deadline)
        self._dialogue.received(line)
        return text_of(line, end=self.manners.read_termination, encoding=self.manners.encoding)

    def _send(self, message: str, *, block: bytes | None = None, of: Deadline | None = None) -> None:
        text = message.encode("ascii", "replace")
        data = text if block is None else text + b" " + definite_block(block)
        data += self.manners.write_termination.encode()
        if 0 < self.manners.longest_message < len(data):
            raise Misuse(
                f"{len(data)} bytes in `{scpi.shorten(message)}`", expected=f"at most {self.manners.longest_message}"
            )
        self._dialogue.sent(data if block is None else text, block)
        self._connection.wire.send(data, self._allowance.part(self.manners.timeout, of=of))
        if self.manners.pause:
            self._pause(self.manners.pause)

    def _get_into_step(self) -> None:
        if self.is_lost:
            raise LinkLost(self._lost, where=self.where, do=_LOOK)
        if self._open_query:
            self.recover()

    def _await_identity(self, deadline: Deadline) -> None:
        """Read until the identity comes: whatever is before it answers something else."""
        wire = self._connection.wire
        if not (self.manners.identify and self.identity):
            wire.drain(deadline)
            return
        self._send(self.manners.identify, of=deadline)
        while True:
            line = wire.read_line(deadline)
            self._dialogue.received(line)
            if line.strip().decode(self.manners.encoding, "replace").endswith(self.identity.strip()):
                self._answers += 1
                return  # half an answer may stand right in front of it
            if not line or deadline.has_passed:  # PyVISA-py over HiSLIP reads "" at once where nothing is to come
                raise NoAnswer("its identity did not come")

    def _look_for_restart(self) -> None:
        """Clearing the status would remove the sign that the settings are lost, so it is read before."""
        if self.status.watches_restarts:
            self._send(self.manners.event_query)
            line = self._connection.wire.read_line(self._allowance.part(self.manners.timeout))
            self._dialogue.received(line)
            self._answers += 1
            self.status.note_events(line.decode("latin-1"))

    def _explain(self, fault: WireFault, message: str) -> None:
        """Add what the instrument's error queue has to say; what fails in here is not explained.

        Raises
        ------
        LinkLost : it answers nothing at all any more.
        """
        before, asked = self._answers, False
        try:
            self.recover(keep_errors=True)
            if self.manners.error_query not in ("", message):
                asked = True
                self._add_errors(fault)
            if self._answers == before and self.manners.identify not in ("", message):
                asked = True
                self._ask_plainly(self.manners.identify)
        except LinkLost as lost:
            raise self._also(fault, lost) from fault
        except (NoAnswer, BadAnswer) as silence:
            if asked and self._answers == before and isinstance(silence, NoAnswer) and isinstance(fault, NoAnswer):
                raise self._also(fault, self._gone(silence.what)) from fault

    def _add_errors(self, fault: WireFault) -> None:
        try:
            entries = self.status.errors(self._ask_plainly)
        except (NoAnswer, BadAnswer):
            if not self.manners.identify:
                raise
            return  # the identity shows whether anybody is there
        if entries:
            fault.what += f"; its error queue says {listed(entries)}"
            reasons = dict.fromkeys(entry.explanation for entry in entries if entry.explanation)
            fault.do = fault.do or "; ".join(reasons)

    def _ask_plainly(self, message: str) -> str:
        """The answer to a query that serves to explain a failure: neither asked again nor explained."""
        return self._exchange_once(message, self._read_text, self.manners.timeout, share=HALF)

    def _also(self, first: WireFault, lost: LinkLost) -> LinkLost:
        """The loss of an instrument, with the query at which that showed; reported again when it is used again."""
        if first.what not in lost.what:
            lost.what = f"{first.what}; {lost.what}"
        self._lost = lost.what if self._lost else ""
        return lost

    def _gone(self, why: str) -> LinkLost:
        self._lost = f"the instrument does not recover: {why}"
        return LinkLost(self._lost, where=self.where, do=_LOOK)

    @contextmanager
    def _faults(self, doing: str, message: str | None = None, *, waited: float | None = None) -> Iterator[None]:
        """Faults inside the block get the instrument, what was being done and the message with which, if any."""
        self._dialogue.begin_exchange()
        try:
            yield
        except BaseException:
            self._dialogue.abort_exchange()
            doing = doing if message is None else f"{doing} `{scpi.shorten(message)}`"
            try:
                with self.naming(doing), named_faults(self.where, doing, waited=waited):
                    raise
            except LinkLost:
                self._open_query = self._open_query or doing  # the next use tries to connect anew
                raise

    @contextmanager
    def naming(self, doing: str) -> Iterator[None]:
        """Errors that were raised further down, where neither instrument nor message was known, get both."""
        try:
            yield
        except WireFault as fault:
            if fault.where == self.resource:  # who opens a connection knows the address alone
                fault.where = self.where
            if not fault.where:
                fault.where = self.where
                fault.what = f"{fault.what} ({doing})" if doing not in fault.what else fault.what
            raise


def _always() -> None:
    """There is no limit."""
