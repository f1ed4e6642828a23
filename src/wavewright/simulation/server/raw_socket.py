"""SCPI on a raw socket: bytes in, bytes out, NL ends a message, and nothing else is signalled."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator

from wavewright.simulation.scpi.device import ScpiDevice
from wavewright.simulation.scpi.disturbance import LinkDropped
from wavewright.simulation.scpi.exchange import Exchange
from wavewright.simulation.server.answering import Answering
from wavewright.simulation.server.hub import Hub

_PIECE = 1 << 20


class RawSocketConnection(asyncio.Protocol):
    """One client. A query whose answer needs a trigger is answered by silence until the trigger comes.

    `latency`, in s, is what each answer takes.
    """

    def __init__(self, hub: Hub, device: ScpiDevice, *, latency: float = 0.0) -> None:
        self.device = device
        self._hub = hub
        self._exchange = Exchange(device, is_stream=True)
        self._transport: asyncio.Transport | None = None
        self._answering = Answering(self._exchange, self._send, self._drop, latency=latency)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """A client has come."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._hub.join(self)

    def connection_lost(self, exc: Exception | None) -> None:
        """The client has gone; what it had asked is dropped."""
        del exc
        self._answering.cancel()
        self._hub.leave(self)

    def data_received(self, data: bytes) -> None:
        """Bytes have come."""
        with self._unless_dropped():
            self._exchange.receive(data, end=False)
            self._answering.answer()
        self._hub.changed(self)

    def go_on(self) -> None:
        """Something on the bench has changed."""
        with self._unless_dropped():
            self._answering.go_on()

    def request_service(self) -> None:
        """A raw socket has no way to signal it."""

    def close(self) -> None:
        """Close, without waiting for what is still in the buffer."""
        if self._transport:
            self._transport.abort()

    def _send(self) -> None:
        """The oldest answer, to its end."""
        at_end = False
        while not at_end:
            content, at_end = self._exchange.answer(_PIECE)
            if self._transport and content:
                self._transport.write(content)

    def _drop(self) -> None:
        if self._transport:
            self._transport.close()

    @contextlib.contextmanager
    def _unless_dropped(self) -> Iterator[None]:
        """A fault that drops the link lets what was sent before get through, then breaks the connection."""
        try:
            yield
        except LinkDropped:
            self._drop()
