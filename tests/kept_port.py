"""A port for a server that a test starts later, or more than once."""

from __future__ import annotations

import socket


class KeptPort:
    """A TCP port of the loopback interface that the system gives to nobody else, and at which nobody listens yet.

    A bound socket that never listens keeps it: connections are refused, and a server whose socket has SO_REUSEADDR, as
    this one has, may bind and listen (Linux, socket(7)).
    """

    def __init__(self) -> None:
        self._keeper = socket.socket()
        self._keeper.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._keeper.bind(("127.0.0.1", 0))
        self.number = int(self._keeper.getsockname()[1])

    def close(self) -> None:
        """Give it back."""
        self._keeper.close()
