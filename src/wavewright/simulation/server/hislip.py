"""HiSLIP, IVI-6.1 †: a synchronous channel for messages, an asynchronous one for the rest."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Callable, Mapping

from wavewright.simulation.scpi.device import ScpiDevice
from wavewright.simulation.scpi.disturbance import LinkDropped
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.exchange import Exchange
from wavewright.simulation.scpi.status import StatusByte
from wavewright.simulation.server.answering import Answering
from wavewright.simulation.server.hislip_messages import (
    LONGEST_PAYLOAD,
    RMT_DELIVERED,
    UNRECOGNIZED_TYPE,
    BadHeader,
    Fatal,
    Message,
    Type,
    read_message,
)
from wavewright.simulation.server.hub import Hub

_PROTOCOL_VERSION = 0x0100
_VENDOR = 0x5757
_DEFAULT_SIZE = 1 << 20
_LOCK_REFUSED, _NO_LOCK_HELD = 0, 3


class HislipSession:
    """One client with its two channels; `latency`, in s, is what each answer takes, and each serial poll."""

    def __init__(
        self, hub: Hub, device: ScpiDevice, synchronous: asyncio.StreamWriter, *, latency: float = 0.0
    ) -> None:
        self.device = device
        self._hub = hub
        self._exchange = Exchange(device)
        self._synchronous = synchronous
        self._asynchronous: asyncio.StreamWriter | None = None
        self._size = _DEFAULT_SIZE
        self._answers_to = 0  # id of the message that answers belong to
        self._is_undelivered = False
        self._is_clearing = False
        self._latency = latency
        self._answering = Answering(self._exchange, self._send, self.close, latency=latency)
        self._asynchronous_answers: Mapping[int, Callable[[Message], Message]] = {
            Type.ASYNC_MAXIMUM_SIZE: self._agree_on_size,
            Type.ASYNC_STATUS_QUERY: self._tell_status,
            Type.ASYNC_DEVICE_CLEAR: self._clear,
            Type.ASYNC_LOCK: _refuse_the_lock,
            Type.ASYNC_LOCK_INFO: _nobody_holds_a_lock,
            Type.ASYNC_REMOTE_LOCAL_CONTROL: _stay_remote,
        }
        hub.join(self)

    def attach(self, asynchronous: asyncio.StreamWriter) -> None:
        """The second channel has come."""
        self._asynchronous = asynchronous

    # --- for the hub

    def go_on(self) -> None:
        """Something on the bench has changed."""
        self._answering.go_on()

    def request_service(self) -> None:
        """AsyncServiceRequest with the status byte, RQS set."""
        if self._asynchronous is not None:
            byte = self.device.status.byte(message_available=self._is_undelivered) | int(StatusByte.REQUEST)
            self._asynchronous.write(Message(Type.ASYNC_SERVICE_REQUEST, byte).packed())

    def close(self) -> None:
        """Break both channels off."""
        self._answering.cancel()
        self._hub.leave(self)
        for writer in (self._synchronous, self._asynchronous):
            if writer is not None:
                writer.transport.abort()

    # --- the synchronous channel

    def on_synchronous(self, message: Message) -> None:
        """A message on the synchronous channel."""
        if message.kind == Type.DEVICE_CLEAR_COMPLETE:
            self._is_clearing = self._is_undelivered = False
            self._synchronous.write(Message(Type.DEVICE_CLEAR_ACKNOWLEDGE).packed())
        elif self._asynchronous is None:
            self._synchronous.write(Message(Type.FATAL_ERROR, Fatal.CHANNEL_MISSING).packed())
        elif message.kind in (Type.DATA, Type.DATA_END, Type.TRIGGER):
            if not self._is_clearing:
                self._take(message)
        else:
            self._synchronous.write(Message(Type.ERROR, UNRECOGNIZED_TYPE).packed())

    def _take(self, message: Message) -> None:
        self._note_delivery(message)
        self._interrupt_if_talked_over(message)
        if message.kind == Type.TRIGGER:
            self._exchange.trigger()
        else:
            self._answers_to = message.parameter
            self._exchange.receive(bytes(message.payload), end=message.kind == Type.DATA_END)
        self._answering.answer()
        self._hub.changed(self)

    def _interrupt_if_talked_over(self, message: Message) -> None:
        """A new message before the old answer was read: the client is told on both channels, and −410 is queued."""
        # the exchange queues −410 for what it is working on, and for an answer that is held back
        is_pending = self._exchange.is_waiting or self._exchange.comes_after is not None
        if not (self._is_undelivered or is_pending) or message.kind == Type.TRIGGER:
            return
        self._answering.withdraw()
        if self._is_undelivered:
            self.device.status.complain(ScpiError(-410))
            self._is_undelivered = False
        self._synchronous.write(Message(Type.INTERRUPTED, 0, message.parameter).packed())
        if self._asynchronous is not None:
            self._asynchronous.write(Message(Type.ASYNC_INTERRUPTED, 0, message.parameter).packed())

    def _send(self) -> None:
        """The oldest answer, to its end."""
        at_end = False
        while not at_end:
            content, at_end = self._exchange.answer(self._size)
            kind = Type.DATA_END if at_end else Type.DATA
            self._synchronous.write(Message(kind, 0, self._answers_to, content).packed())
        self._is_undelivered = True

    def _note_delivery(self, message: Message) -> None:
        if message.control & RMT_DELIVERED:
            self._is_undelivered = False

    # --- the asynchronous channel

    def on_asynchronous(self, message: Message) -> None:
        """A message on the asynchronous channel: its answer is what the table gives."""
        make = self._asynchronous_answers.get(message.kind, _unrecognized)
        assert self._asynchronous is not None
        answer = make(message).packed()
        if message.kind == Type.ASYNC_STATUS_QUERY and self._latency:
            asyncio.get_running_loop().call_later(self._latency, self._asynchronous.write, answer)
        else:
            self._asynchronous.write(answer)

    def _agree_on_size(self, message: Message) -> Message:
        wanted = int.from_bytes(bytes(message.payload), "big")
        self._size = max(256, min(wanted, LONGEST_PAYLOAD) - 16)
        return Message(Type.ASYNC_MAXIMUM_SIZE_RESPONSE, payload=LONGEST_PAYLOAD.to_bytes(8, "big"))

    def _tell_status(self, message: Message) -> Message:
        self._note_delivery(message)
        byte = self._exchange.poll()
        self._answering.answer()
        available = int(StatusByte.MESSAGE_AVAILABLE) if self._is_undelivered else 0
        return Message(Type.ASYNC_STATUS_RESPONSE, byte | available)

    def _clear(self, message: Message) -> Message:
        del message
        self._is_clearing, self._is_undelivered = True, False
        self._answering.cancel()
        return Message(Type.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE)


def _refuse_the_lock(message: Message) -> Message:
    """Locking is not to be had: a request fails at once, a release is an error."""
    return Message(Type.ASYNC_LOCK_RESPONSE, _LOCK_REFUSED if message.control else _NO_LOCK_HELD)


def _nobody_holds_a_lock(message: Message) -> Message:
    del message
    return Message(Type.ASYNC_LOCK_INFO_RESPONSE)


def _stay_remote(message: Message) -> Message:
    del message
    return Message(Type.ASYNC_REMOTE_LOCAL_RESPONSE)


def _unrecognized(message: Message) -> Message:
    del message
    return Message(Type.ERROR, UNRECOGNIZED_TYPE)


class HislipServer:
    """All sessions with one instrument; the sub-address that a client names makes no difference."""

    def __init__(self, hub: Hub, device: ScpiDevice, *, latency: float = 0.0) -> None:
        self._hub, self._device, self._latency = hub, device, latency
        self._sessions: dict[int, HislipSession] = {}
        self._numbers = itertools.count(1)
        self._lines: dict[asyncio.StreamWriter, asyncio.Task[None] | None] = {}

    async def close(self) -> None:
        """Break every connection off, also those that have not said yet which channel they are."""
        for writer in self._lines:
            writer.transport.abort()
        await asyncio.gather(*(task for task in self._lines.values() if task), return_exceptions=True)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One TCP connection: which channel it is, its first message says."""
        session: HislipSession | None = None
        self._lines[writer] = asyncio.current_task()
        try:
            first = await read_message(reader)
            if first.kind == Type.INITIALIZE:
                number = next(self._numbers) & 0xFFFF
                session = HislipSession(self._hub, self._device, writer, latency=self._latency)
                self._sessions[number] = session
                writer.write(Message(Type.INITIALIZE_RESPONSE, 0, _PROTOCOL_VERSION << 16 | number).packed())
                take = session.on_synchronous
            elif first.kind == Type.ASYNC_INITIALIZE and first.parameter in self._sessions:
                session = self._sessions[first.parameter]
                session.attach(writer)
                writer.write(Message(Type.ASYNC_INITIALIZE_RESPONSE, 0, _VENDOR).packed())
                take = session.on_asynchronous
            else:
                writer.write(Message(Type.FATAL_ERROR, Fatal.BAD_INITIALIZATION).packed())
                return
            while True:
                take(await read_message(reader))
                await writer.drain()
        except BadHeader:
            writer.write(Message(Type.FATAL_ERROR, Fatal.BAD_HEADER).packed())
        except (asyncio.IncompleteReadError, ConnectionError, LinkDropped):
            pass  # the client has gone, or a fault says that it has
        finally:
            await self._end(session, writer)

    async def _end(self, session: HislipSession | None, writer: asyncio.StreamWriter) -> None:
        """One channel is closed: so is the other."""
        self._lines.pop(writer, None)
        writer.close()
        if session is not None:
            self._sessions = {number: each for number, each in self._sessions.items() if each is not session}
            session.close()
