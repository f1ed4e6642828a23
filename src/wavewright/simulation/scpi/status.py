"""Status registers of IEEE 488.2-1992, 11, and SCPI-99 volume 2, 20. Clause numbers †."""

from __future__ import annotations

from enum import IntFlag

from wavewright.simulation.scpi.error_queue import ErrorQueue, ScpiError, event_bit


class StatusByte(IntFlag):
    """Bits of the status byte."""

    ERROR_AVAILABLE = 4
    QUESTIONABLE = 8
    MESSAGE_AVAILABLE = 16
    EVENT_SUMMARY = 32
    REQUEST = 64  # RQS in a serial poll, MSS in `*STB?`
    OPERATION = 128


class OperationStatus(IntFlag):
    """Bits of STATus:OPERation."""

    SETTLING = 2
    SWEEPING = 8
    MEASURING = 16
    WAITING_FOR_TRIGGER = 32


class Questionable(IntFlag):
    """Bits of STATus:QUEStionable."""

    VOLTAGE = 1
    CURRENT = 2


OPERATION_COMPLETE = 1
POWER_ON = 128
_FIFTEEN_BITS = 0x7FFF


class RegisterSet:
    """Condition, transition filters, event and enable of one SCPI status structure; bit 15 is always 0."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.preset()

    def preset(self) -> None:
        """Enable 0, positive transitions all, negative none: `STATus:PRESet`."""
        self.enable, self.positive, self.negative = 0, _FIFTEEN_BITS, 0

    def become(self, condition: int) -> None:
        """Set the condition; bits that changed the way the filters let through are latched in the event register."""
        risen, fallen = condition & ~self.condition, self.condition & ~condition
        self.event |= (risen & self.positive) | (fallen & self.negative)
        self.condition = condition & _FIFTEEN_BITS

    def take_event(self) -> int:
        """The event register, cleared by reading."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        """True when an enabled event is latched."""
        return bool(self.event & self.enable)


class StatusRegisters:
    """All status registers of one instrument, its error queue, and its reasons to ask for service."""

    def __init__(self, queue_depth: int) -> None:
        self.errors = ErrorQueue(queue_depth)
        self.operation, self.questionable = RegisterSet(), RegisterSet()
        self.power_on()

    def power_on(self) -> None:
        """All registers, enables and queues as after the supply has come back."""
        self.errors.clear()
        for registers in (self.operation, self.questionable):
            registers.condition = registers.event = 0
            registers.preset()
        self.event = POWER_ON
        self.event_enable = 0
        self.service_enable = 0
        self.requests_service = False
        self._reasons = 0

    def complain(self, fault: ScpiError) -> None:
        """Queue an error and set the bit of its class."""
        self.errors.put(fault)
        self.event |= event_bit(fault.code)

    def take_event(self) -> int:
        """The standard event status register, cleared by reading."""
        event, self.event = self.event, 0
        return event

    def clear(self) -> None:
        """`*CLS`: event registers and error queue; enables and conditions stay."""
        self.errors.clear()
        self.event = self.operation.event = self.questionable.event = 0

    def byte(self, *, message_available: bool) -> int:
        """The status byte without bit 6."""
        bits = {
            StatusByte.ERROR_AVAILABLE: len(self.errors) > 0,
            StatusByte.QUESTIONABLE: self.questionable.summary,
            StatusByte.MESSAGE_AVAILABLE: message_available,
            StatusByte.EVENT_SUMMARY: bool(self.event & self.event_enable),
            StatusByte.OPERATION: self.operation.summary,
        }
        return sum(int(bit) for bit, is_set in bits.items() if is_set)

    def update_request(self, byte: int) -> bool:
        """Set RQS when a reason has come that was not there before; True when it was set just now."""
        reasons = byte & self.service_enable & ~StatusByte.REQUEST
        is_new = bool(reasons & ~self._reasons)
        self._reasons = reasons
        if is_new:
            self.requests_service = True
        elif not reasons:
            self.requests_service = False
        return is_new

    def poll(self, byte: int) -> int:
        """Serial poll: the byte with RQS, which this poll clears."""
        request = StatusByte.REQUEST if self.requests_service else 0
        self.requests_service = False
        return byte | int(request)
