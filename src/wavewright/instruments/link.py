"""A link to one instrument: write, ask, ask for a block, clear, status byte; every byte of it on record.

One question is answered before the next is put. When an answer fails to come, or comes wrong, or an exchange is broken
off, the link is out of step: the answer may still arrive and would be taken for that of the next question (on a raw
socket; elsewhere IEEE 488.2-1992, 6.3 makes it error -410). So the next use begins with `recover`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

import numpy as np

from wavewright.errors import BadAnswer, LinkLost, Misuse, NoAnswer, WireFault
from wavewright.instruments import scpi
from wavewright.instruments.answer_text import text_of
from wavewright.instruments.block_reader import Bytes, read_bare_bytes, read_block
from wavewright.instruments.blocks import definite_block
from wavewright.instruments.dialogue import Dialogue
from wavewright.instruments.expression_reader import read_expression
from wavewright.instruments.manners import Manners
from wavewright.instruments.status import Status
from wavewright.instruments.visa_faults import FOREIGN, named_faults
from wavewright.instruments.wire_log import WireLog
from wavewright.instruments.wires import Deadline, Wire, holds_more

T = TypeVar("T")


class Link:
    """The connection to one instrument.

    Parameters
    ----------
    connect : opens a wire; called again when a stream must be opened anew to get back into step.
    name : what the bench calls it, for messages and the wire log.

    Attributes
    ----------
    status : the instrument's error queue and event register.
    """

    def __init__(
        self,
        connect: Callable[[], Wire],
        *,
        resource: str,
        name: str = "",
        manners: Manners | None = None,
        wire_log: WireLog | None = None,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        self.resource, self.name, self.manners = resource, name or resource, manners or Manners()
        self.identity = ""
        self._dialogue = Dialogue(self.name, wire_log)
        self._connect, self._pause = self._dialogue.listening(connect), pause
        self._open_question = ""  # sent, and its answer not read to the end
        self._is_closed = False
        self.status = Status(self)
        self._wire: Wire | None = self._connect()
        self._dialogue.event(f"opened {resource}")

    def write(self, message: str, *, block: bytes | None = None) -> None:
        """Send one message that has no answer; `block` goes behind it as a definite block.

        Raises
        ------
        LinkLost : the connection broke.
        Misuse : longer than the instrument takes.
        """
        self._get_into_step()
        with self._faults(f"while sending `{scpi.shorten(message)}`"):
            self._send(message, block=block)

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

    def ask_block(
        self, message: str, *, timeout: float | None = None, silence: float | None = None, newline: bool = True
    ) -> Bytes:
        """The content of the block that a query answers with, shape (bytes,), one buffer that belongs to the caller.

        Parameters
        ----------
        silence : s; on wires without end marks an indefinite block ends with NL and this much silence.
        newline : False for a device that sends the end mark alone behind a block.

        Raises
        ------
        BadAnswer : no block, or one shorter or longer than its header says.
        NoAnswer, LinkLost
        """

        def read(wire: Wire, deadline: Deadline) -> Bytes:
            head, data = read_block(wire, deadline, silence=silence, newline=newline)
            self._dialogue.received_block(head, data)
            return data

        return self._exchange(message, read, timeout=timeout, repeatable=False)

    def ask_expression(self, message: str, *, timeout: float | None = None) -> bytes:
        """An expression in parentheses, blocks in it included, without its terminator (SCPI-99 volume 3)."""

        def read(wire: Wire, deadline: Deadline) -> bytes:
            expression = read_expression(wire, deadline)
            self._dialogue.received_block(b"", np.frombuffer(expression, dtype=np.uint8))
            return expression

        return self._exchange(message, read, timeout=timeout, repeatable=False)

    def ask_bytes(self, message: str, count: int, *, timeout: float | None = None) -> Bytes:
        """`count` bytes that come without any header, shape (count,)."""

        def read(wire: Wire, deadline: Deadline) -> Bytes:
            data = read_bare_bytes(wire, deadline, count=count)
            self._dialogue.received_block(b"", data)
            return data

        return self._exchange(message, read, timeout=timeout, repeatable=False)

    def ask_as(
        self, convert: Callable[[str], T], message: str, *, timeout: float | None = None, repeatable: bool = True
    ) -> T:
        """The answer to a query, converted; an answer that does not convert is a BadAnswer like any other."""

        def read(wire: Wire, deadline: Deadline) -> T:
            return convert(self._read_text(wire, deadline))

        return self._exchange(message, read, timeout=timeout, repeatable=repeatable)

    def ask_number(self, message: str, *, timeout: float | None = None, repeatable: bool = True) -> float:
        """One number; ±inf for overload, NaN for no value."""
        return self.ask_as(scpi.read_number, message, timeout=timeout, repeatable=repeatable)

    def ask_boolean(self, message: str, *, timeout: float | None = None, repeatable: bool = True) -> bool:
        """On or off."""
        return self.ask_as(scpi.read_boolean, message, timeout=timeout, repeatable=repeatable)

    def identify(self) -> str:
        """Ask who is there, and remember it: the answer is the mark by which a stream is brought back into step."""
        if not self.manners.identify:
            return ""
        answer = self.ask(self.manners.identify, repeatable=True)
        self.identity = answer
        return answer

    def check_in_step(self) -> None:
        """See that answers belong to their questions: the identity must come when it is asked for.

        Raises
        ------
        BadAnswer : something else came.
        """
        if not (self.manners.identify and self.identity):
            return

        def read(answer: str) -> None:
            if answer.strip() != self.identity.strip():
                raise BadAnswer(f"`{scpi.shorten(answer)}` is not its identity", expected=f"`{self.identity}`")

        self.ask_as(read, self.manners.identify, repeatable=False)

    def expect_requests(self) -> bool:
        """Get ready for service requests; False where the library or the wire has none."""
        self._get_into_step()
        with self._faults("while getting ready for service requests"):
            return self._open_wire().expect_requests()

    def wait_for_request(self, timeout: float) -> None:
        """Until a service request comes.

        Raises
        ------
        NoAnswer : none within `timeout`, s.
        """
        with self._faults("while waiting for a service request"):
            self._open_wire().wait_for_request(timeout)

    def status_byte(self) -> int:
        """The status byte, by serial poll where the wire has one, else by `*STB?` (IEEE 488.2-1992, 11.2)."""
        self._get_into_step()
        with self._faults("in a serial poll"):
            byte = self._open_wire().status_byte()
        return int(self.ask_number("*STB?")) if byte is None else self._dialogue.status_byte(byte)

    def clear(self) -> None:
        """Device clear, then an empty status: what was asked is forgotten on both sides.

        Raises
        ------
        LinkLost : the instrument cannot be brought back.
        """
        self._open_question = self._open_question or "(cleared on purpose)"
        self.recover()

    def recover(self, *, keep_errors: bool = False) -> None:
        """Get back into step after an answer that did not come, or came wrong.

        Device clear where the wire has one. Else the connection is opened anew, and the identity asked for until it
        comes: answers in front of it belong to earlier questions.

        Parameters
        ----------
        keep_errors : leave the error queue as it is, for somebody to read.

        Raises
        ------
        LinkLost : the instrument does not come back.
        """
        question, self._open_question = self._open_question, ""
        self._dialogue.event(f"getting back into step after {question}")
        try:
            with self._faults(f"while getting back into step after `{scpi.shorten(question)}`"):
                if not self._clear_device():
                    self._open_anew()
                    self._await_identity()
                self._look_for_restart()
                if self.manners.clear_status and not keep_errors:
                    self._send(self.manners.clear_status)
        except BaseException as fault:
            self._open_question = question or "?"
            if isinstance(fault, NoAnswer | BadAnswer):
                raise LinkLost(
                    f"the instrument does not come back after `{scpi.shorten(question)}`: {fault.what}",
                    where=self.where,
                    do="look whether it is busy or locked up; switch it off and on if need be",
                ) from fault
            raise

    def close(self) -> None:
        """Let go of the session; never raises."""
        self._is_closed = True
        if self._wire is not None:
            self._wire.close()
            self._wire = None
            self._dialogue.event("closed")

    @property
    def where(self) -> str:
        """Address and name, as messages begin."""
        return self.resource if self.name == self.resource else f"{self.resource} ({self.name})"

    def _exchange(
        self, message: str, read: Callable[[Wire, Deadline], T], *, timeout: float | None, repeatable: bool
    ) -> T:
        if repeatable:
            try:
                return self._exchange_once(message, read, timeout)
            except (NoAnswer, BadAnswer) as fault:
                self._dialogue.event(f"asking again after {type(fault).__name__}: {fault.what}")
                self.recover()
        try:
            return self._exchange_once(message, read, timeout)
        except (NoAnswer, BadAnswer) as fault:
            self._dialogue.event(f"{type(fault).__name__}: {fault.what}")
            self._explain(fault)
            raise

    def _exchange_once(self, message: str, read: Callable[[Wire, Deadline], T], timeout: float | None) -> T:
        self._get_into_step()
        deadline_s = self.manners.timeout if timeout is None else timeout
        with self._faults(f"after `{scpi.shorten(message)}`"):
            self._open_question = message
            wire = self._open_wire()
            if wire.is_something_waiting():
                raise BadAnswer(
                    f"`{scpi.shorten(wire.drain())}` had arrived before `{scpi.shorten(message)}` was sent: "
                    "an answer to an earlier question"
                )
            self._send(message)
            answer = read(wire, Deadline(deadline_s, stall=self.manners.timeout))
            if holds_more(wire):  # a block whose count is too small can end in a sample that is NL
                raise BadAnswer(f"`{scpi.shorten(wire.drain())}` stands behind the answer", expected="its end")
            self._open_question = ""
        return answer

    def _read_text(self, wire: Wire, deadline: Deadline) -> str:
        line = wire.read_line(deadline)
        self._dialogue.received(line)
        return text_of(line, end=self.manners.read_termination, encoding=self.manners.encoding)

    def _send(self, message: str, *, block: bytes | None = None) -> None:
        text = message.encode("ascii", "replace")
        data = text if block is None else text + b" " + definite_block(block)
        data += self.manners.write_termination.encode()
        if 0 < self.manners.longest_message < len(data):
            raise Misuse(
                f"{len(data)} bytes in `{scpi.shorten(message)}`", expected=f"at most {self.manners.longest_message}"
            )
        self._dialogue.sent(data if block is None else text, block)
        self._open_wire().send(data, Deadline(self.manners.timeout))
        if self.manners.pause:
            self._pause(self.manners.pause)

    def _get_into_step(self) -> None:
        if self._open_question:
            self.recover()

    def _clear_device(self) -> bool:
        """Whether the wire has a device clear, and it went through; a lost connection is then opened anew."""
        if self._wire is None or not self._wire.marks_ends:
            return False
        try:
            return self._wire.clear()
        except FOREIGN as fault:
            self._dialogue.event(f"device clear failed: {fault}")
            return False

    def _open_anew(self) -> None:
        """A new connection is the only cure where an answer may still be on its way."""
        if self._is_closed:
            raise LinkLost("the link is closed")
        if self._wire is not None:
            self._wire.close()
            self._wire = None
        self._wire = self._connect()
        self._dialogue.event(f"opened {self.resource} again")

    def _await_identity(self) -> None:
        """Read until the identity comes: whatever stands before it answers something else."""
        if not (self.manners.identify and self.identity):
            self._open_wire().drain()
            return
        deadline = Deadline(self.manners.timeout)
        self._send(self.manners.identify)
        while True:
            line = self._open_wire().read_line(deadline)
            self._dialogue.received(line)
            if line.strip().decode(self.manners.encoding, "replace").endswith(self.identity.strip()):
                return  # half an answer may stand right in front of it

    def _look_for_restart(self) -> None:
        """Clearing the status would take away what tells that the settings are lost, so it is read before."""
        if self.status.watches_restarts:
            self._send(self.manners.event_query)
            line = self._open_wire().read_line(Deadline(self.manners.timeout))
            self._dialogue.received(line)
            self.status.note_events(line.decode("latin-1"))

    def _explain(self, fault: WireFault) -> None:
        """Add what the instrument's error queue has to say; the link is in step afterwards."""
        self.recover(keep_errors=True)
        try:
            entries = self.status.errors()
        except (NoAnswer, BadAnswer):
            return
        if entries:
            fault.what += f"; its error queue says {'; '.join(map(str, entries))}"
            reasons = dict.fromkeys(entry.explanation for entry in entries if entry.explanation)
            fault.do = fault.do or "; ".join(reasons)

    def _open_wire(self) -> Wire:
        if self._wire is None:
            raise LinkLost("the link is closed")
        return self._wire

    @contextmanager
    def _faults(self, doing: str) -> Iterator[None]:
        self._dialogue.begins()
        try:
            yield
        except BaseException:
            self._dialogue.breaks_off()
            try:
                with self.naming(doing), named_faults(self.where, doing):
                    raise
            except LinkLost:
                self._open_question = self._open_question or doing  # the next use tries to connect anew
                raise

    @contextmanager
    def naming(self, doing: str) -> Iterator[None]:
        """Errors that were raised further down, where neither instrument nor message was known, get both."""
        try:
            yield
        except WireFault as fault:
            if not fault.where:
                fault.where = self.where
                fault.what = f"{fault.what} ({doing})" if doing not in fault.what else fault.what
            raise
