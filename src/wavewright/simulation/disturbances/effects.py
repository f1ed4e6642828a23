"""Kinds of faults: what each does to a message, an answer or the instrument. A new kind is one entry here."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wavewright.simulation import disturbances
from wavewright.simulation.definition import Section
from wavewright.simulation.registry import Registry
from wavewright.simulation.scpi.error_queue import ScpiError

if TYPE_CHECKING:
    from wavewright.simulation.scpi.device import ScpiDevice

_BLOCK = re.compile(rb"#([1-9])")


class LinkDropped(Exception):
    """The connection is gone in the middle of whatever was going on."""


@dataclass(slots=True)
class Delivery:
    """An answer on its way. `delay`: s of simulated time; `drop_after`: bytes until the link breaks."""

    content: bytes | memoryview
    delay: float = 0.0
    drop_after: int | None = None


class Effect:
    """What a fault does. Each kind overrides what it disturbs."""

    def on_message(self, device: ScpiDevice) -> None:
        """Before the message is worked on."""
        del device

    def on_answer(self, delivery: Delivery) -> None:
        """Before the answer to it is handed over."""
        del delivery


MakeEffect = Callable[[Section, np.random.Generator], Effect]
_kinds: Registry[MakeEffect] = Registry("fault kind")
fault_kind = _kinds.enter


def fault_kinds() -> Mapping[str, MakeEffect]:
    """Every kind of fault by the name that fault files use."""
    return _kinds.everything(disturbances)


@fault_kind("drop the link")
class DropTheLink(Effect):
    """The connection breaks after so many bytes of the answer; opening it again helps."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._after = int(section.quantity("bytes", "", 0.0))

    def on_answer(self, delivery: Delivery) -> None:
        """Let only the first bytes through."""
        delivery.drop_after = self._after


@fault_kind("delay")
class Delay(Effect):
    """The answer comes late."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._by = section.quantity("by", "s")

    def on_answer(self, delivery: Delivery) -> None:
        """Hold it back."""
        delivery.delay += self._by


@fault_kind("garble")
class Garble(Effect):
    """Some bytes of the answer are others than were sent."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        self._count = int(section.quantity("bytes", "", 1.0))
        self._generator = generator

    def on_answer(self, delivery: Delivery) -> None:
        """Exchange bytes at places that chance gives, the terminator excepted."""
        garbled = bytearray(delivery.content)
        for place in self._generator.integers(0, max(1, len(garbled) - 1), self._count):
            garbled[int(place)] ^= int(self._generator.integers(1, 256))
        delivery.content = bytes(garbled)


@fault_kind("short block")
class ShortBlock(Effect):
    """The answer ends some bytes before its block does, terminator and all."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._missing = int(section.quantity("bytes", "", 100.0))

    def on_answer(self, delivery: Delivery) -> None:
        """Cut the end off, but not the terminator."""
        content = bytes(delivery.content)
        delivery.content = content[: max(1, len(content) - 1 - self._missing)] + b"\n"


@fault_kind("wrong count")
class WrongCount(Effect):
    """The block's header promises another number of bytes than come."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._by = int(section.quantity("bytes", "", 1.0))

    def on_answer(self, delivery: Delivery) -> None:
        """Rewrite the count where there is one."""
        content = bytes(delivery.content)
        found = _BLOCK.match(content)
        if found:
            digits = int(found[1])
            count = max(0, int(content[2 : 2 + digits]) + self._by)
            delivery.content = content[:2] + str(count).zfill(digits)[-digits:].encode() + content[2 + digits :]


@fault_kind("garbage first")
class GarbageFirst(Effect):
    """Something stands before the answer."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._text = section.text("text", "*** ").encode("latin-1").decode("unicode_escape").encode("latin-1")

    def on_answer(self, delivery: Delivery) -> None:
        """Put it there."""
        delivery.content = self._text + bytes(delivery.content)


@fault_kind("another answer")
class AnotherAnswer(Effect):
    """The instrument says something else: `9.91E+37`, a NUL, nothing but a terminator."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._text = section.text("text").encode("latin-1").decode("unicode_escape").encode("latin-1")

    def on_answer(self, delivery: Delivery) -> None:
        """Exchange the answer."""
        delivery.content = self._text + b"\n"


@fault_kind("old answer")
class OldAnswer(Effect):
    """The answer to the question before comes once more."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del section, generator
        self.last = b"0\n"

    def on_answer(self, delivery: Delivery) -> None:
        """Exchange the answer for the last one that was right."""
        delivery.content = self.last


@fault_kind("errors")
class Errors(Effect):
    """A burst of errors in the queue."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._count = int(section.quantity("count", "", 5.0))
        self._code = int(section.text("code", "-310"))

    def on_message(self, device: ScpiDevice) -> None:
        """Fill them in."""
        for _ in range(self._count):
            device.status.complain(ScpiError(self._code, "ordered by the fault file"))


@fault_kind("stuck busy")
class StuckBusy(Effect):
    """From then on the instrument is never done, until it is reset."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del section, generator

    def on_message(self, device: ScpiDevice) -> None:
        """Get stuck."""
        device.is_stuck = True


@fault_kind("reset")
class Reset(Effect):
    """The instrument loses its supply for a moment: all settings as after power-on, both queues empty."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del section, generator

    def on_message(self, device: ScpiDevice) -> None:
        """Start again."""
        device.power_cycle()


@fault_kind("noisy trigger")
class NoisyTrigger(Effect):
    """Interference fires the trigger at some moment within `within`, whatever the signal does."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        self._within = section.quantity("within", "s")
        self._generator = generator

    def on_message(self, device: ScpiDevice) -> None:
        """Order the next record to be forced."""
        device.instrument.disturb(self._within * float(self._generator.random()))
