"""A cable between a station and its server that can be cut: what is sent then gets no answer, and nobody says so."""

from __future__ import annotations

import selectors
import socket
import threading
from contextlib import suppress
from types import TracebackType
from typing import Self


class Relay:
    """Carries connections to a port of this machine.

    Parameters
    ----------
    port : of the server.
    cut_after : so many connections are carried; then it is cut as soon as none is open.
    calls : so many connections in vain, and it carries again.
    """

    def __init__(self, port: int, *, cut_after: int, calls: int) -> None:
        self._to = port
        self._carried, self._cut_after, self._calls = 0, cut_after, calls
        self.unanswered = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._listener.close()

    def _serve(self) -> None:
        kept = []
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if self._carried >= self._cut_after and self.unanswered < self._calls:
                self.unanswered += 1
                kept.append(near)  # open, and silent
                continue
            self._carried += 1
            with suppress(OSError):
                self._carry(near)  # one at a time: a station has one connection

    def _carry(self, near: socket.socket) -> None:
        try:
            far = socket.create_connection(("127.0.0.1", self._to))
        except OSError:
            near.close()
            return
        with near, far, selectors.DefaultSelector() as both:
            both.register(near, selectors.EVENT_READ, far)
            both.register(far, selectors.EVENT_READ, near)
            while True:
                for key, _ in both.select():
                    here, there = key.fileobj, key.data
                    assert isinstance(here, socket.socket)
                    piece = here.recv(65536)
                    if not piece:
                        return
                    there.sendall(piece)
