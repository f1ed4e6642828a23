"""Messages of HiSLIP, IVI-6.1: a header of 16 bytes, and what it says. Numbers as PyVISA-py 0.8.1 has them."""

from __future__ import annotations

import asyncio
import struct
from dataclasses import dataclass
from enum import IntEnum

_HEADER = struct.Struct("!2sBBIQ")  # prologue, type, control code, parameter, payload length; most significant first
_PROLOGUE = b"HS"
LONGEST_PAYLOAD = 64 * 1024 * 1024


class Type(IntEnum):
    """Message types."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL_CONTROL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAXIMUM_SIZE = 15
    ASYNC_MAXIMUM_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_SERVICE_REQUEST = 20
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


class Fatal(IntEnum):
    """Codes of FatalError."""

    BAD_HEADER = 1
    CHANNEL_MISSING = 2
    BAD_INITIALIZATION = 3


UNRECOGNIZED_TYPE = 1  # code of Error
RMT_DELIVERED = 1  # control bit of Data, DataEND, Trigger and AsyncStatusQuery: the last answer was read to its end


@dataclass(frozen=True, slots=True)
class Message:
    """One message."""

    kind: int
    control: int = 0
    parameter: int = 0
    payload: bytes | memoryview = b""

    def packed(self) -> bytes:
        """The message as it goes over the wire."""
        header = _HEADER.pack(_PROLOGUE, self.kind, self.control, self.parameter, len(self.payload))
        return header + bytes(self.payload)


class BadHeader(Exception):
    """What came is not a HiSLIP message."""


async def read_message(reader: asyncio.StreamReader) -> Message:
    """The next message.

    Raises
    ------
    BadHeader : the prologue is wrong, or the payload longer than anyone means.
    asyncio.IncompleteReadError : the client has gone.
    """
    prologue, kind, control, parameter, length = _HEADER.unpack(await reader.readexactly(_HEADER.size))
    if prologue != _PROLOGUE or length > LONGEST_PAYLOAD:
        raise BadHeader
    payload = await reader.readexactly(length) if length else b""
    return Message(kind, control, parameter, payload)
