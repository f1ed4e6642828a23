"""Instruments at VISA level that behave as badly as a test wants, and a loopback server that does the same over TCP.

A device here is a function from a message to what it sends back. It knows nothing of SCPI: what a test needs to see on
the wire is written out in the test.
"""

from __future__ import annotations

import itertools
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from pyvisa import errors, highlevel, rname
from pyvisa.constants import ResourceAttribute, StatusCode

from tests.instruments.program_units import answer_of, units_of

Answer = bytes | None
IDENTITY = b"Reedbank,Plain,0,1.0\n"
NO_ERROR = b'0,"No error"\n'


class Device:
    """Answers from a table; `answers[message]` is bytes, or a list of which each query takes the next.

    `sent` keeps every message. An answer of None is silence. `late` bytes come in front of the next answer.
    """

    def __init__(self, answers: dict[str, Any] | None = None) -> None:
        self.answers: dict[str, Any] = {
            "*IDN?": IDENTITY, "SYSTem:ERRor?": NO_ERROR, "*OPT?": b"0\n", "*ESR?": b"0\n",
            "MEASure:SCALar:VOLTage:DC?": b"0\n", **(answers or {})
        }  # fmt: skip
        self.sent: list[str] = []
        self.late = b""
        self.hangs_up_after = -1  # messages

    def __call__(self, message: bytes) -> Answer:
        text = message.decode("latin-1").rstrip("\n")
        answer = answer_of([self._answer(unit) for unit in units_of(text)])
        if answer is not None and self.late:
            answer, self.late = self.late + answer, b""
        return answer

    def _answer(self, text: str) -> Answer:
        self.sent.append(text)
        answer = self.answers.get(text)
        if callable(answer):
            answer = answer()
        if isinstance(answer, list):
            answer = answer.pop(0) if answer else None
        return answer


class PlainLibrary(highlevel.VisaLibraryBase):
    """A VISA library over devices. Nothing to read is a time-out at once; a stream keeps what was not read.

    Parameters given by `library_of`: `devices` by canonical address, and whether it offers device clear.
    """

    devices: dict[str, Device]
    has_clear: bool
    refuses: Exception | None

    @staticmethod
    def get_library_paths() -> tuple[Any, ...]:
        return ("plain",)

    def _init(self) -> None:
        self.sessions: dict[int, dict[str, Any]] = {}
        self._numbers = itertools.count(1)
        self.buffers: dict[str, bytearray] = {}
        self.clears = 0
        self.opened = 0
        self.writes_until_broken = -1
        self.termination_seen: list[bool] = []

    def open_default_resource_manager(self) -> tuple[Any, StatusCode]:
        return next(self._numbers), StatusCode.success

    def open(self, session: Any, resource_name: str, access_mode: Any = 0, open_timeout: Any = 0) -> Any:
        name = str(rname.ResourceName.from_string(resource_name))
        if self.refuses is not None:
            raise self.refuses
        if name not in self.devices:
            return 0, self.handle_return_value(session, StatusCode.error_resource_not_found)
        number = next(self._numbers)
        self.opened += 1
        self.buffers.setdefault(name, bytearray())
        parsed = rname.ResourceName.from_string(name)
        self.sessions[number] = {
            "name": name,
            ResourceAttribute.resource_name: name,
            ResourceAttribute.resource_class: parsed.resource_class,
            ResourceAttribute.interface_type: parsed.interface_type_const,
            ResourceAttribute.timeout_value: 2000,
            ResourceAttribute.termchar_enabled: False,
        }
        return number, StatusCode.success

    def close(self, session: Any) -> StatusCode:
        self.sessions.pop(session, None)
        return StatusCode.success

    def get_attribute(self, session: Any, attribute: Any) -> Any:
        return self.sessions[session].get(attribute, 0), StatusCode.success

    def set_attribute(self, session: Any, attribute: Any, value: Any) -> StatusCode:
        self.sessions[session][attribute] = value
        return StatusCode.success

    def disable_event(self, session: Any, event_type: Any, mechanism: Any) -> StatusCode:
        return StatusCode.success

    def discard_events(self, session: Any, event_type: Any, mechanism: Any) -> StatusCode:
        return StatusCode.success

    def write(self, session: Any, data: bytes) -> tuple[int, StatusCode]:
        if self.writes_until_broken == 0:
            raise errors.VisaIOError(StatusCode.error_connection_lost)
        self.writes_until_broken -= 1
        state = self.sessions[session]
        buffer = self.buffers[state["name"]]
        if self._marks_ends(state):
            buffer.clear()  # INTERRUPTED: IEEE 488.2-1992, 6.3 (from memory, not verified)
        answer = self.devices[state["name"]](bytes(data))
        buffer += answer or b""
        return len(data), StatusCode.success

    def read(self, session: Any, count: int) -> tuple[bytes, StatusCode]:
        state = self.sessions[session]
        buffer = self.buffers[state["name"]]
        stops = state[ResourceAttribute.termchar_enabled]
        self.termination_seen.append(bool(stops))
        end = buffer.find(b"\n") + 1 if stops else 0
        if not buffer or (not self._marks_ends(state) and not end and len(buffer) < count):
            raise errors.VisaIOError(StatusCode.error_timeout)
        taken = min(count, end or len(buffer))
        data = bytes(buffer[:taken])
        del buffer[:taken]
        if stops and data.endswith(b"\n"):
            return data, StatusCode.success_termination_character_read
        is_end = self._marks_ends(state) and not buffer
        return data, StatusCode.success if is_end else StatusCode.success_max_count_read

    def clear(self, session: Any) -> StatusCode:
        if not self.has_clear:
            raise NotImplementedError
        self.clears += 1
        self.buffers[self.sessions[session]["name"]].clear()
        return StatusCode.success

    def _marks_ends(self, state: dict[Any, Any]) -> bool:
        return bool(state[ResourceAttribute.resource_class] == "INSTR")


_count = itertools.count(1)


def library_of(devices: dict[str, Device], *, has_clear: bool = True, refuses: Exception | None = None) -> PlainLibrary:
    """A fresh library: PyVISA keeps libraries by their path."""
    library = PlainLibrary(f"plain-{next(_count)}")
    library.devices = {str(rname.ResourceName.from_string(name)): device for name, device in devices.items()}
    library.has_clear, library.refuses = has_clear, refuses
    return library


class Server:
    """A raw socket on the loopback interface with a device on it. `connections` counts how often one came."""

    def __init__(self, device: Device, *, chunk: int = 1 << 20) -> None:
        self.device, self.chunk = device, chunk
        self.connections = 0
        self._peer: socket.socket | None = None
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self.address = f"TCPIP0::127.0.0.1::{self.port}::SOCKET"
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                peer, _ = self._listening.accept()
            except OSError:
                return
            self.connections += 1
            self._peer = peer
            with peer:
                self._talk(peer)

    def _talk(self, peer: socket.socket) -> None:
        pending = b""
        with_limit = self.device.hangs_up_after >= 0
        try:
            while True:
                data = peer.recv(1 << 16)
                if not data:
                    return
                pending += data
                while b"\n" in pending:
                    message, _, pending = pending.partition(b"\n")
                    answer = self.device(message + b"\n")
                    if answer:
                        peer.sendall(answer)
                    if with_limit and len(self.device.sent) >= self.device.hangs_up_after:
                        self.device.hangs_up_after = -1
                        return
        except OSError:
            return

    def close(self) -> None:
        if self._peer is not None:
            with suppress(OSError):
                self._peer.shutdown(socket.SHUT_RDWR)
        with suppress(OSError):  # Windows refuses that, and wakes the thread at the close
            self._listening.shutdown(socket.SHUT_RDWR)  # wakes the thread that waits in accept
        self._listening.close()
        self._thread.join()


@contextmanager
def served(device: Device) -> Iterator[Server]:
    """The device on a socket while the block lasts."""
    server = Server(device)
    try:
        yield server
    finally:
        server.close()
