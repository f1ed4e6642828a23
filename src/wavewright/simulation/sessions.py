"""One VISA session with a simulated instrument: whole-chunk reads, serial poll, device clear, service requests."""

from __future__ import annotations

from typing import Any

from pyvisa import attributes, constants, rname
from pyvisa.constants import StatusCode

from wavewright.simulation.scpi.disturbance import LinkDropped
from wavewright.simulation.scpi.exchange import Exchange

_IMMEDIATE, _INFINITE = 0, 0xFFFFFFFF
_FOREVER = 3600.0  # s of simulated time that stand for a timeout that never comes


class SimulatedSession:
    """What PyVISA's library calls act on. Time-outs pass in simulated time: nothing here ever waits."""

    def __init__(self, manager: int, parsed: rname.ResourceName, exchange: Exchange) -> None:
        self.exchange = exchange
        self.session_type = (parsed.interface_type_const, parsed.resource_class)
        self._is_srq_enabled = False
        self._service_requests = 0
        self._attributes: dict[Any, Any] = {
            constants.ResourceAttribute.resource_manager_session: manager,
            constants.ResourceAttribute.resource_name: str(parsed),
            constants.ResourceAttribute.resource_class: parsed.resource_class,
            constants.ResourceAttribute.interface_type: parsed.interface_type_const,
            constants.ResourceAttribute.interface_number: int(getattr(parsed, "board", 0)),
        }

    @property
    def timeout(self) -> float:
        """The session's time-out, s."""
        milliseconds = int(self._attributes.get(constants.ResourceAttribute.timeout_value, 2000))
        return _FOREVER if milliseconds == _INFINITE else milliseconds / 1000

    def write(self, content: bytes) -> tuple[int, StatusCode]:
        """VISA write; END goes with the last byte."""
        try:
            self.exchange.receive(content)
        except LinkDropped:
            return 0, StatusCode.error_connection_lost
        self._notice_requests()
        return len(content), StatusCode.success

    def read(self, count: int) -> tuple[bytes, StatusCode]:
        """VISA read: to END, to the termination character where that is enabled, or `count` bytes."""
        try:
            return self._read(count)
        except LinkDropped:
            return b"", StatusCode.error_connection_lost

    def _read(self, count: int) -> tuple[bytes, StatusCode]:
        if not self.exchange.settle(self.timeout):
            return b"", StatusCode.error_timeout
        if self._attributes.get(constants.ResourceAttribute.termchar_enabled):
            character = int(self._attributes.get(constants.ResourceAttribute.termchar, 10))
            content, at_end, stopped = self.exchange.answer_to(character, count)
            if stopped and not at_end:
                return content, StatusCode.success_termination_character_read
        else:
            content, at_end = self.exchange.answer(count)
        self._notice_requests()
        return content, StatusCode.success if at_end else StatusCode.success_max_count_read

    def poll(self) -> tuple[int, StatusCode]:
        """Serial poll."""
        if self.exchange.is_dropped:
            return 0, StatusCode.error_connection_lost
        return self.exchange.poll(), StatusCode.success

    def clear(self) -> StatusCode:
        """Device clear."""
        if self.exchange.is_dropped:
            return StatusCode.error_connection_lost
        self.exchange.clear()
        return StatusCode.success

    def trigger(self) -> StatusCode:
        """Group execute trigger."""
        if self.exchange.is_dropped:
            return StatusCode.error_connection_lost
        self.exchange.trigger()
        return StatusCode.success

    def enable_event(self, event: constants.EventType) -> StatusCode:
        """Service requests are the only events there are."""
        if event != constants.EventType.service_request:
            return StatusCode.error_invalid_event
        self._is_srq_enabled = True
        return StatusCode.success

    def disable_event(self) -> StatusCode:
        """No events any more."""
        self._is_srq_enabled = False
        return StatusCode.success

    def discard_events(self) -> StatusCode:
        """Forget the service requests that nobody has waited for."""
        self._service_requests = 0
        return StatusCode.success

    def wait_for_request(self, timeout: float) -> StatusCode:
        """Let simulated time go by until the instrument requests service, `timeout` seconds at most."""
        if not self._is_srq_enabled:
            return StatusCode.error_not_enabled
        self._notice_requests()
        if not self._service_requests:
            self.exchange.pass_time(timeout)
            self._notice_requests()
        if not self._service_requests:
            return StatusCode.error_timeout
        self._service_requests -= 1
        return StatusCode.success

    def get_attribute(self, attribute: Any) -> tuple[Any, StatusCode]:
        """A VISA attribute, or its default by VPP-4.3."""
        known = attributes.AttributesByID.get(attribute)
        if known is None or not known.in_resource(self.session_type):
            return 0, StatusCode.error_nonsupported_attribute
        return self._attributes.setdefault(attribute, known.default), StatusCode.success

    def set_attribute(self, attribute: Any, state: Any) -> StatusCode:
        """Set a VISA attribute."""
        known = attributes.AttributesByID.get(attribute)
        if known is None or not known.in_resource(self.session_type):
            return StatusCode.error_nonsupported_attribute
        if not known.write:
            return StatusCode.error_attribute_read_only
        self._attributes[attribute] = state
        return StatusCode.success

    def _notice_requests(self) -> None:
        if self.exchange.update_request() and self._is_srq_enabled:
            self._service_requests += 1
