"""A link to one instrument: write, ask, ask for a block, clear, status byte; every byte of it on record."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

import numpy as np

from wavewright.errors import BadAnswer, Misuse, NoAnswer, WireFault
from wavewright.instruments import scpi
from wavewright.instruments.block_reader import Bytes, read_bare_bytes, read_block
from wavewright.instruments.compound_query import QueryUnit, joined, messages_of, separated
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.exchanging import AT_ONCE, Exchanging
from wavewright.instruments.expression_reader import read_expression
from wavewright.instruments.spent_time import TimePart
from wavewright.instruments.wires import Wire

T = TypeVar("T")

MOST_REFUSED = 2  # messages of several queries in a row, before each goes alone for good


def _nothing() -> None:
    """Nobody wants to know."""


class Link(Exchanging):
    """The connection to one instrument, with every kind of query."""

    _refused = 0  # messages of several queries in a row that came to nothing
    keeps_order = False  # answers to several queries have been seen to come in the order of the queries
    _tell: Callable[[], None] = staticmethod(_nothing)  # called when the query for a record has been sent
    was_one_message = False  # the last queries of `ask_each` went out, and were answered, in one

    def write(self, message: str, *, block: bytes | None = None) -> None:
        """Send one message that has no answer; `block` goes after it as a definite block.

        Raises
        ------
        LinkLost : the connection broke.
        NoAnswer : the instrument does not take it.
        Misuse : longer than the instrument takes.
        """
        self.allow()
        with self.within(self.manners.timeout + self.manners.recovery):
            self._get_into_step()
            with self._faults("while sending", message, waited=self.manners.timeout):
                try:
                    self._send(message, block=block)
                except Misuse:
                    raise
                except BaseException:
                    self._open_query = message  # part of it may be on its way
                    raise

    def send_at_once(self, message: str) -> bool:
        """Send a message that must not wait for anything; whether it went out, and the link is in step. Never raises.

        For outputs that must go off while another instrument does not answer.
        """
        if self.is_lost or not self._connection.is_open:
            return False
        try:
            with self._allowance.free(AT_ONCE), self._faults("while sending at once"):
                self._send(message)
        except WireFault:
            self._open_query = self._open_query or message
            return False
        return not self._open_query

    @contextmanager
    def telling(self, tell: Callable[[], None]) -> Iterator[None]:
        """Inside the block `tell` is called when the query for a record has been sent, before its answer is read."""
        before, self._tell = self._tell, tell
        try:
            yield
        finally:
            self._tell = before

    def ask_block(
        self, message: str, *, timeout: float | None = None, silence: float | None = None, newline: bool = True
    ) -> Bytes:
        """The content of the block that a query answers with, shape (bytes,), one buffer that belongs to the caller.

        Parameters
        ----------
        silence : s; on wires without end marks an indefinite block ends with NL and this much silence.
        newline : False for a device that sends the end mark alone after a block.

        Raises
        ------
        BadAnswer : no block, or one shorter or longer than its header says.
        NoAnswer, LinkLost
        """

        def read(wire: Wire, deadline: Deadline) -> Bytes:
            self._tell()
            digest = self._dialogue.begin_block()
            head, data = read_block(wire, deadline, silence=silence, newline=newline, seen=digest.see)
            self._dialogue.received_block(head, data, digest)
            return data

        with self.times.on(TimePart.TRANSFER):
            return self._exchange(message, read, timeout=timeout, repeatable=False)

    def ask_expression(self, message: str, *, timeout: float | None = None) -> bytes:
        """An expression in parentheses, blocks in it included, without its terminator (SCPI-99 volume 3)."""

        def read(wire: Wire, deadline: Deadline) -> bytes:
            self._tell()
            expression = read_expression(wire, deadline)
            self._dialogue.received_block(b"", np.frombuffer(expression, dtype=np.uint8))
            return expression

        with self.times.on(TimePart.TRANSFER):
            return self._exchange(message, read, timeout=timeout, repeatable=False)

    def ask_samples(self, message: str, *, timeout: float | None = None) -> Bytes:
        """Samples that come as text, without a block around them: the text, shape (bytes,)."""
        with self.times.on(TimePart.TRANSFER):
            return np.frombuffer(self.ask(message, timeout=timeout).encode(), dtype=np.uint8)

    def ask_bytes(self, message: str, count: int, *, timeout: float | None = None) -> Bytes:
        """`count` bytes that come without any header, shape (count,)."""

        def read(wire: Wire, deadline: Deadline) -> Bytes:
            self._tell()
            digest = self._dialogue.begin_block()
            data = read_bare_bytes(wire, deadline, count=count, seen=digest.see)
            self._dialogue.received_block(b"", data, digest)
            return data

        with self.times.on(TimePart.TRANSFER):
            return self._exchange(message, read, timeout=timeout, repeatable=False)

    def ask_as(
        self, convert: Callable[[str], T], message: str, *, timeout: float | None = None, repeatable: bool = True
    ) -> T:
        """The answer to a query, converted; an answer that does not convert is a BadAnswer like any other."""

        def read(wire: Wire, deadline: Deadline) -> T:
            return convert(self._read_text(wire, deadline))

        return self._exchange(message, read, timeout=timeout, repeatable=repeatable)

    def ask_each(
        self,
        units: Sequence[QueryUnit],
        *,
        timeout: float | None = None,
        repeatable: bool = True,
        together: bool = True,
    ) -> list[Any]:
        """The values of several queries, in order, in as few messages as the instrument takes them.

        Where it does not answer a message of several, or not with as many answers, each is asked on its own; from then
        on all are, if that happens twice running.

        Parameters
        ----------
        repeatable : as in `ask`; a register of status, which reading clears, is then read from what is left of it.
        together : False: each in a message of its own.

        Raises
        ------
        NoAnswer, BadAnswer, LinkLost : as `ask`.
        """
        values: list[Any] = []
        several = together and self.takes_several and repeatable  # a message that fails is asked again, one by one
        most = self.manners.longest_message
        groups = list(messages_of(units, most_bytes=most) if several else zip(units))
        for group in groups:
            values += self._ask_group(group, timeout=timeout, repeatable=repeatable)
        self.was_one_message = several and len(groups) == 1 and not self._refused
        return values

    @property
    def takes_several(self) -> bool:
        """Whether the instrument takes several queries in one message, as far as is known."""
        return self.manners.compound and self._refused < MOST_REFUSED

    @property
    def identity_units(self) -> tuple[QueryUnit, ...]:
        """The query for the identity, whose answer must be the one that it gave at first; none where it has none."""
        if not (self.manners.identify and self.identity):
            return ()
        return (QueryUnit(self.manners.identify, self._check_identity, takes_rest=True),)

    def _ask_group(self, group: Sequence[QueryUnit], *, timeout: float | None, repeatable: bool) -> list[Any]:
        if len(group) > 1:
            try:
                values = self._ask_together(group, timeout)
                self._refused = 0
                return values
            except (NoAnswer, BadAnswer) as fault:
                self._refused += 1
                self._dialogue.event(f"asking one by one after {type(fault).__name__}: {fault.what}")
                self._recover_keeping(any(unit.is_of_status for unit in group))
        return [self._ask_alone(unit, timeout=timeout, repeatable=repeatable) for unit in group]

    def _ask_together(self, group: Sequence[QueryUnit], timeout: float | None) -> list[Any]:
        """All in one message, which is sent once."""
        self.allow()
        patience = self.manners.timeout if timeout is None else timeout
        with self.within(patience + self.manners.recovery):
            return self._exchange_once(
                joined(group), lambda wire, deadline: separated(self._read_text(wire, deadline), group), patience
            )

    def _ask_alone(self, unit: QueryUnit, *, timeout: float | None, repeatable: bool) -> Any:
        for message in unit.before:
            self.write(message)
        return self._exchange(
            unit.text,
            lambda wire, deadline: unit.read(self._read_text(wire, deadline)),
            timeout=timeout,
            repeatable=repeatable,
            keeps_errors=unit.is_of_status,
        )

    def ask_number(self, message: str, *, timeout: float | None = None, repeatable: bool = True) -> float:
        """One number; ±inf for overload, NaN for no value."""
        return self.ask_as(scpi.read_number, message, timeout=timeout, repeatable=repeatable)

    def identify(self) -> str:
        """Ask who is there, and remember it: the answer is the mark by which a stream is brought back into step."""
        if not self.manners.identify:
            return ""
        answer = self.ask(self.manners.identify, repeatable=True)
        self.identity = answer
        return answer

    def check_in_step(self) -> None:
        """See that answers belong to their queries: the identity must come when it is asked for.

        Raises
        ------
        BadAnswer : something else came.
        """
        if self.manners.identify and self.identity:
            self.ask_as(self._check_identity, self.manners.identify, repeatable=False)

    def _check_identity(self, answer: str) -> None:
        if answer.strip() != self.identity.strip():
            raise BadAnswer(f"`{scpi.shorten(answer)}` is not its identity", expected=f"`{self.identity}`")

    def expect_requests(self) -> bool:
        """Get ready for service requests; False where the library or the wire has none."""
        self._get_into_step()
        with self._faults("while getting ready for service requests"):
            return self._connection.wire.expect_requests()

    def wait_for_request(self, timeout: float) -> None:
        """Until a service request comes.

        Raises
        ------
        NoAnswer : none within `timeout`, s.
        """
        deadline = self._allowance.part(timeout)
        with self._faults("while waiting for a service request", waited=deadline.timeout):
            self._connection.wire.wait_for_request(deadline.timeout)

    def status_byte(self) -> int:
        """The status byte, by serial poll where the wire has one, else by `*STB?` (IEEE 488.2-1992, 11.2)."""
        self._get_into_step()
        with self._faults("in a serial poll"):
            byte = self._connection.wire.status_byte()
        return int(self.ask_number("*STB?")) if byte is None else self._dialogue.status_byte(byte)

    def check_alive(self) -> None:
        """See that somebody is there who answers: by the identity, or by the error queue where there is none.

        Raises
        ------
        LinkLost : nothing was answered.
        """
        query = self.manners.identify or self.manners.error_query or self.manners.event_query
        if not query:
            return
        try:
            self.ask(query)
        except NoAnswer as fault:
            raise self._gone(fault.what) from fault
        except BadAnswer:
            return

    def clear(self) -> None:
        """Device clear, then an empty status: what was asked is forgotten on both sides.

        Raises
        ------
        LinkLost : the instrument cannot be brought back.
        """
        self._open_query = self._open_query or "(cleared on purpose)"
        self.recover()

    def close(self) -> None:
        """Let go of the session; never raises."""
        self._connection.close()
