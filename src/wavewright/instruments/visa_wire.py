"""The wire of a VISA session that has no quicker way: every byte through the library's own read and write."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

from pyvisa import constants, errors
from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa.resources import MessageBasedResource

from wavewright.errors import BadAnswer
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.visa_faults import is_not_offered
from wavewright.instruments.wires import CHUNK, LONGEST_LINE, Listener

_REQUEST, _QUEUED = constants.EventType.service_request, constants.EventMechanism.queue
# PyVISA-py 0.8.1 calls the end of a HiSLIP message a termination character, though none is enabled there
_ENDED = (StatusCode.success, StatusCode.success_termination_character_read)
_QUIET = (
    StatusCode.success_max_count_read,
    StatusCode.success_termination_character_read,
    StatusCode.success_device_not_present,
)


class VisaWire:
    """Any message-based VISA session, through the library's own read and write.

    Where the library says that it keeps a time of its own, as a simulated bench does, no deadline counts what this
    computer needs for its calls: that is computing, however long it takes, and no instrument that lets us wait.
    """

    listener: Listener | None = None

    def __init__(self, visa: MessageBasedResource, *, termination: str = "\n") -> None:
        self._visa = visa
        self._library: Any = visa.visalib
        self._session = visa.session
        self._keeps_own_time = bool(getattr(self._library, "keeps_own_time", False))
        self.has_end_marks = not is_stream(visa)
        # with an end mark NL ends nothing: an answer of two lines is one message, and shows itself as such
        self._termination = b"" if self.has_end_marks else termination[-1:].encode()
        visa.read_termination = self._termination.decode() or None
        self._timeout_ms = -1
        self._warnings = ExitStack()
        self._warnings.enter_context(self._library.ignore_warning(self._session, *_QUIET))

    def send(self, data: bytes, deadline: Deadline) -> None:
        """All bytes, in one message as far as the wire knows such."""
        self._allow(deadline)
        count, _ = self._called(deadline, self._library.write, data)
        if count != len(data):
            raise ConnectionError(f"{count} of {len(data)} bytes were taken")

    def read_line(self, deadline: Deadline) -> bytes:
        """Bytes up to and including NL, or to the end mark."""
        parts: list[bytes] = []
        length = 0
        while length < LONGEST_LINE:
            self._allow(deadline)
            data, status = self._called(deadline, self._library.read, CHUNK)
            if self.listener:
                self.listener(data)
            if data or status == StatusCode.success:
                parts.append(bytes(data))
                length += len(data)
            if status != StatusCode.success_max_count_read or (self._termination and data.endswith(self._termination)):
                return b"".join(parts)
        raise BadAnswer(f"an answer of {length} bytes without an end")

    def read_into(self, buffer: memoryview, deadline: Deadline) -> tuple[int, bool]:
        """At least one byte; how many, and whether the message ended with them."""
        self._allow(deadline)
        data, status = self._called(deadline, self._library.read, min(len(buffer), CHUNK))
        buffer[: len(data)] = data
        if self.listener:
            self.listener(data)
        return len(data), self.has_end_marks and status in _ENDED

    @contextmanager
    def termination_off(self) -> Iterator[None]:
        """Inside it NL is a byte like any other."""
        self._terminate(False)
        try:
            yield
        finally:
            self._terminate(True)

    def is_silent(self, duration: float) -> bool:
        """Whether nothing comes for this long, s."""
        return not self._until_silence(duration, Deadline(2 * duration))

    def is_something_waiting(self) -> bool:
        """False: VISA cannot tell."""
        return False

    def drain(self, deadline: Deadline) -> bytes:
        """Throw away what has arrived, and return it."""
        return self._until_silence(0.05, deadline)

    def clear(self, deadline: Deadline) -> bool:
        """Device clear, where the library offers it."""
        self._allow(deadline)
        try:
            self._called(deadline, self._library.clear)
        except (errors.Error, NotImplementedError, AttributeError) as fault:
            if is_not_offered(fault):
                return False
            raise
        return True

    def status_byte(self) -> int | None:
        """Serial poll, where the library offers it."""
        try:
            byte, _ = self._library.read_stb(self._session)
        except (errors.Error, NotImplementedError, AttributeError) as fault:
            if is_not_offered(fault):
                return None
            raise
        return int(byte)

    def expect_requests(self) -> bool:
        """Get ready for service requests, where the library offers events."""
        try:
            self._library.enable_event(self._session, _REQUEST, _QUEUED)
        except (errors.Error, NotImplementedError, AttributeError) as fault:
            if is_not_offered(fault):
                return False
            raise
        return True

    def wait_for_request(self, timeout: float) -> None:
        """Until one comes."""
        self._library.wait_on_event(self._session, _REQUEST, max(int(1000 * timeout), 1))

    def close(self) -> None:
        """Let go of the session; never raises."""
        try:
            self._warnings.close()
            self._visa.close()
        except Exception:  # other people's code, on a session that is given up anyway
            return

    def _until_silence(self, duration: float, deadline: Deadline) -> bytes:
        seen = b""
        try:
            while len(seen) < LONGEST_LINE and not deadline.has_passed:
                self._allow(Deadline(duration))
                data, _ = self._library.read(self._session, CHUNK)
                if not data:  # HiSLIP of PyVISA-py answers a read that nothing was sent for with nothing, and success
                    break
                seen += data
        except errors.VisaIOError as fault:
            if fault.error_code != StatusCode.error_timeout:
                raise
        return seen

    def _called(self, deadline: Deadline, call: Callable[..., Any], *given: Any) -> Any:
        if not self._keeps_own_time:
            return call(self._session, *given)
        begin = time.monotonic()
        try:
            return call(self._session, *given)
        finally:
            deadline.extend(time.monotonic() - begin)

    def _allow(self, deadline: Deadline) -> None:
        """Give the library what is left of the time; setting it costs a call, so not for a trifle."""
        wanted = int(1000 * deadline.left()) + 1
        if not 0.9 * self._timeout_ms <= wanted <= self._timeout_ms:
            self._timeout_ms = max(wanted, 2)
            self._library.set_attribute(self._session, ResourceAttribute.timeout_value, self._timeout_ms)

    def _terminate(self, on: bool) -> None:
        if self._termination:
            self._library.set_attribute(self._session, ResourceAttribute.termchar_enabled, on)


def is_stream(visa: MessageBasedResource) -> bool:
    """Whether nothing but NL marks the end of a message."""
    return visa.resource_class == "SOCKET" or visa.interface_type == constants.InterfaceType.asrl
