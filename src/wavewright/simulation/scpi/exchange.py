"""Message exchange of IEEE 488.2-1992, clause 6: bytes in, answers out, and what happens out of turn."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

from wavewright.simulation.scpi.device import ScpiDevice, reply_bytes
from wavewright.simulation.scpi.disturbance import LinkDropped
from wavewright.simulation.scpi.elements import Unit, complete_length, read_units
from wavewright.simulation.scpi.error_queue import COMMAND_ERRORS, ScpiError
from wavewright.simulation.scpi.instrument import Answer, Pending

_INPUT_BUFFER, _OUTPUT_QUEUE = 4096, 65536  # bytes
_LONGEST_STEP = 0.1  # s of simulated time between two polls
_LONGEST_INPUT = 32 * 1024 * 1024


@dataclass(slots=True)
class _Outgoing:
    """An answer in the output queue. `ready_at`: when it comes, s; `drop_after`: bytes until the link breaks."""

    content: memoryview
    ready_at: float
    drop_after: int | None


class Exchange:
    """One controller's line to a device: its input buffer, the message that is being worked on, and its output queue.

    Parameters
    ----------
    device : may be shared with other exchanges.
    is_stream : a raw socket or serial line: it has no END, so answers to old queries stay in the queue, and nobody
        is told INTERRUPTED. Else a link with a message protocol.
    """

    def __init__(self, device: ScpiDevice, *, is_stream: bool = False) -> None:
        self.device = device
        self.is_stream = is_stream
        self._input = bytearray()
        self._messages: deque[bytes] = deque()
        self._units: Iterator[Unit] | None = None
        self._path: tuple[str, ...] = ()
        self._message_length = 0
        self._is_deadlocked = False  # until the message ends nothing is answered
        self._answers: list[Answer] = []
        self._waiting: Pending | None = None
        self._output: deque[_Outgoing] = deque()
        self._generation = device.generation
        self._last_message = b"\0"
        self._pause = device.message_time
        self._is_dropped = False

    # --- what the controller does

    def receive(self, content: bytes, *, end: bool = True) -> None:
        """Take bytes from the controller; `end`: END came with the last one."""
        self._check_line()
        self._input += content
        if len(self._input) > _LONGEST_INPUT:
            self._input.clear()
            self.device.status.complain(ScpiError(-363))
        while length := complete_length(self._input, ended=end and not self.is_stream):
            message = bytes(self._input[:length])
            del self._input[:length]
            if not self.is_stream:
                self._interrupt()
            self._messages.append(message)
            self._let_time_pass(message)
            self.work()

    def _let_time_pass(self, message: bytes) -> None:
        """Each message takes its time. Who asks a busy instrument the same again and again waits longer each time."""
        is_polling = message == self._last_message and self.device.is_busy
        self._pause = min(2 * self._pause, _LONGEST_STEP) if is_polling else self.device.message_time
        self._last_message = message
        self.device.instrument.clock.advance(max(self._pause, self.device.message_time))

    def answer(self, count: int) -> tuple[bytes, bool]:
        """At most `count` bytes of the oldest answer, and whether its END came with them; (b"", False) for none.

        Raises
        ------
        LinkDropped : a fault broke the connection.
        """
        self._check_line()
        if not self.has_answer:
            return b"", False
        front = self._output[0]
        if front.drop_after is not None:
            count = min(count, front.drop_after)
            front.drop_after -= count
            if not count:
                self._is_dropped = True
                self._check_line()
        part, front.content = front.content[:count], front.content[count:]
        at_end = not len(front.content)
        if at_end:
            self._output.popleft()
        return bytes(part), at_end

    def answer_to(self, character: int, count: int) -> tuple[bytes, bool, bool]:
        """As `answer`, but not beyond a termination character; the third value says whether it stopped there."""
        if self.has_answer:
            found = bytes(self._output[0].content[:count]).find(character)
            if found >= 0:
                part, at_end = self.answer(found + 1)
                return part, at_end, True
        part, at_end = self.answer(count)
        return part, at_end, False

    def settle(self, seconds: float) -> bool:
        """Let simulated time go by until an answer is there, `seconds` at most; True when one is there.

        A query that was never asked is −420 (on a link that knows message ends).
        """
        self._check_line()
        if self.has_answer:
            return True
        self.device.refresh()
        self.work()
        if self._output:
            clock = self.device.instrument.clock
            clock.go_to(min(self._output[0].ready_at, clock.now + seconds))
        elif self._waiting is not None:
            self.pass_time(seconds)
        elif not self.is_stream:
            self.device.status.complain(ScpiError(-420))
        return self.has_answer

    def pass_time(self, seconds: float) -> None:
        """Let simulated time go by until the pending operations end, `seconds` at most, and go on with the work."""
        clock = self.device.instrument.clock
        deadline = clock.now + seconds
        moment = self.device.completion(deadline)
        clock.go_to(deadline if moment is None else min(moment, deadline))
        self.device.refresh()
        self.work()

    def foresee(self, seconds: float) -> bool:
        """Go on to the end of the pending operations if it is known to come within `seconds`; else let no time pass."""
        if self._waiting is None or self.device.is_stuck:
            return False
        clock = self.device.instrument.clock
        moment = self.device.instrument.foresee(clock.now + seconds)
        if moment is None:
            return False
        clock.go_to(moment)
        self.work()
        return True

    def clear(self) -> None:
        """Device clear: both queues and the message that is worked on; settings, status and errors stay."""
        self._input.clear()
        self._messages.clear()
        self._drop()

    def poll(self) -> int:
        """Serial poll: the status byte with RQS, which this reading clears."""
        self._let_time_pass(b"")
        self.device.refresh()
        self.work()
        self.update_request()
        return self.device.status.poll(self._byte())

    def trigger(self) -> None:
        """Group execute trigger: the same as `*TRG`."""
        try:
            self.device.instrument.trigger()
        except ScpiError as fault:
            self.device.status.complain(fault)
        self.work()

    @property
    def is_dropped(self) -> bool:
        """True when a fault has broken the connection."""
        return self._is_dropped

    @property
    def is_waiting(self) -> bool:
        """True while a query is worked on whose answer needs time."""
        return self._waiting is not None

    @property
    def has_answer(self) -> bool:
        """True when an answer lies in the output queue."""
        return bool(self._output) and self._output[0].ready_at <= self.device.instrument.clock.now

    @property
    def comes_after(self) -> float | None:
        """s until an answer that is held back comes; None where none is."""
        return self._output[0].ready_at - self.device.instrument.clock.now if self._output else None

    def update_request(self) -> bool:
        """True when a new reason for a service request has come up since the last call."""
        return self.device.status.update_request(self._byte())

    # --- what the device does

    def work(self) -> None:
        """Go on with the messages as far as that is possible now."""
        while self._waiting is None or self._resume():
            if self._units is None:
                if not self._messages:
                    break
                message = self._messages.popleft()
                self._units, self._path, self._answers = read_units(message), (), []
                self._message_length, self._is_deadlocked = len(message), False
                self.device.disturbances.on_message(message, self.device)
            if self._generation != self.device.generation:
                self._lose_power()
                break
            self._step(self._units)
        self.device.refresh()

    def _lose_power(self) -> None:
        self._generation = self.device.generation
        self.clear()

    def _check_line(self) -> None:
        if self._is_dropped:
            raise LinkDropped

    def _resume(self) -> bool:
        if self.device.is_busy or self._waiting is None:
            return False
        self.device.refresh()
        waiting, self._waiting = self._waiting, None
        self._take(waiting.answer)
        return True

    def _step(self, units: Iterator[Unit]) -> None:
        """One unit of the message, or its end."""
        fault: ScpiError | None = None
        self.device.refresh()
        try:
            unit = next(units)
            if self._answers:  # another query in the same message takes its time as well
                self.device.instrument.clock.advance(self.device.message_time)
            if unit.is_query and self._answers and self._answers[-1].is_last:
                raise ScpiError(-440)
            reply, self._path = self.device.perform(unit, self._path)
            if isinstance(reply, Pending):
                self._waiting = reply
            elif reply is not None and not self._is_deadlocked:
                self._answers.append(reply_bytes(reply))
                self._check_room()
        except StopIteration:
            self._conclude()
        except ScpiError as caught:
            fault = caught
        if fault is not None:
            self._complain(fault)

    def _check_room(self) -> None:
        """A message that does not fit the input buffer, with answers that do not fit the output queue: −430 (6.3).

        All answers to the message are thrown away, and what else it asks is not answered.
        """
        if self._message_length > _INPUT_BUFFER and sum(len(each.content) for each in self._answers) > _OUTPUT_QUEUE:
            self._answers, self._is_deadlocked = [], True
            raise ScpiError(-430)

    def _take(self, ready: object) -> None:
        assert callable(ready)
        try:
            answer = ready()
        except ScpiError as fault:
            self._complain(fault)
        else:
            if answer is not None and not self._is_deadlocked:
                self._answers.append(answer)

    def _complain(self, fault: ScpiError) -> None:
        self.device.status.complain(fault)
        if fault.code in COMMAND_ERRORS:  # what follows can no longer be trusted: 488.2 lets the parser start again
            self._conclude()

    def _conclude(self) -> None:
        if self._answers:
            parts = [part for answer in self._answers for part in (b";", answer.content)][1:]
            whole = parts[0] if len(parts) == 1 else b"".join(parts)
            outgoing = self.device.disturbances.deliver(b"".join((whole, b"\n")))
            ready_at = self.device.instrument.clock.now + outgoing.delay
            self._output.append(_Outgoing(memoryview(outgoing.content), ready_at, outgoing.drop_after))
        self._units, self._answers = None, []

    def _interrupt(self) -> None:
        is_asking = self._waiting is not None and self._waiting.asks
        if self._output or is_asking:
            self._drop()
            self.device.status.complain(ScpiError(-410))

    def _drop(self) -> None:
        self._output.clear()
        self._units, self._answers, self._waiting = None, [], None

    def _byte(self) -> int:
        return self.device.status.byte(message_available=self.has_answer)
