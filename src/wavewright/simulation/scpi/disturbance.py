"""What may go wrong between a SCPI instrument and its controller: the link, an answer on its way, the instrument."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from wavewright.simulation.scpi.instrument import SimulatedInstrument
from wavewright.simulation.scpi.status import StatusRegisters


class LinkDropped(Exception):
    """The connection is gone in the middle of whatever was going on."""


@dataclass(slots=True)
class OutgoingAnswer:
    """An answer on its way. `delay`: s of simulated time; `drop_after`: bytes until the link breaks."""

    content: bytes | memoryview
    delay: float = 0.0
    drop_after: int | None = None


class Disturbed(Protocol):
    """What a disturbance can reach of the device that it strikes."""

    instrument: SimulatedInstrument
    status: StatusRegisters
    is_stuck: bool

    def power_cycle(self) -> None:
        """The supply goes and comes back."""
        ...


class Disturbance:
    """What is done to a message, an answer or the instrument. Each kind overrides what it disturbs."""

    def on_message(self, device: Disturbed) -> None:
        """Before the message is worked on."""
        del device

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Before the answer to it is handed over."""
        del answer

    def spared(self, content: bytes) -> None:
        """An answer was handed over that this disturbance did not strike."""
        del content


class Disturbances:
    """All that disturbs one instrument: nothing, unless a plan says what and when."""

    def on_message(self, message: bytes, device: Disturbed) -> None:
        """A message has come."""
        del message, device

    def deliver(self, content: bytes) -> OutgoingAnswer:
        """An answer to that message is ready."""
        return OutgoingAnswer(content)
