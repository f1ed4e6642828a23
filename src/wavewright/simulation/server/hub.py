"""What all connections of a served bench share: the instruments, and the news that something has changed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from wavewright.simulation.scpi.device import ScpiDevice


class ClientConnection(Protocol):
    """One client's line to one instrument."""

    device: ScpiDevice

    def go_on(self) -> None:
        """Something on the bench has changed: see whether what was pending can be answered now."""

    def request_service(self) -> None:
        """The instrument has a new reason to ask for service."""

    def close(self) -> None:
        """Break the connection off."""


class Hub:
    """The served bench. All of it runs in one thread, so that no two messages are worked on at once."""

    def __init__(self, instruments: Mapping[str, ScpiDevice]) -> None:
        self.instruments = instruments
        self._connections: list[ClientConnection] = []

    def join(self, connection: ClientConnection) -> None:
        """A client has come."""
        self._connections.append(connection)

    def leave(self, connection: ClientConnection) -> None:
        """A client has gone."""
        if connection in self._connections:
            self._connections.remove(connection)

    def changed(self, by: ClientConnection) -> None:
        """A client's message was worked on: what others wait for may have come about."""
        for connection in list(self._connections):
            if connection is not by:
                connection.go_on()
        for device in self.instruments.values():
            status = device.status
            if status.update_request(status.byte(message_available=False)):
                for connection in list(self._connections):
                    if connection.device is device:
                        connection.request_service()

    def close(self) -> None:
        """Break every connection off."""
        for connection in list(self._connections):
            connection.close()

    def __len__(self) -> int:
        return len(self._connections)
