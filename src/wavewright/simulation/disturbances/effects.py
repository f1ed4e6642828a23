"""Kinds of faults: what each does to a message, an answer or the instrument. A new kind is one entry here."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

import numpy as np

from wavewright.simulation import disturbances
from wavewright.simulation.definition import Section
from wavewright.simulation.registry import Registry
from wavewright.simulation.scpi.disturbance import Disturbance, Disturbed, OutgoingAnswer
from wavewright.simulation.scpi.error_queue import ScpiError

_BLOCK = re.compile(rb"#([1-9])")


MakeDisturbance = Callable[[Section, np.random.Generator], Disturbance]
_kinds: Registry[MakeDisturbance] = Registry("fault kind")
fault_kind = _kinds.enter


def fault_kinds() -> Mapping[str, MakeDisturbance]:
    """Every kind of fault by the name that fault files use."""
    return _kinds.everything(disturbances)


@fault_kind("drop the link")
class DropTheLink(Disturbance):
    """The connection breaks after so many bytes of the answer; opening it again helps."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._after = int(section.quantity("bytes", "", 0.0))

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Let only the first bytes through."""
        answer.drop_after = self._after


@fault_kind("delay")
class Delay(Disturbance):
    """The answer comes late."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._by = section.quantity("by", "s")

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Hold it back."""
        answer.delay += self._by


@fault_kind("garble")
class Garble(Disturbance):
    """Some bytes of the answer are others than were sent."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        self._count = int(section.quantity("bytes", "", 1.0))
        self._generator = generator

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Exchange bytes at places that chance gives, the terminator excepted."""
        garbled = bytearray(answer.content)
        for place in self._generator.integers(0, max(1, len(garbled) - 1), self._count):
            garbled[int(place)] ^= int(self._generator.integers(1, 256))
        answer.content = bytes(garbled)


@fault_kind("short block")
class ShortBlock(Disturbance):
    """The answer ends some bytes before its block does, terminator and all."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._missing = int(section.quantity("bytes", "", 100.0))

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Cut the end off, but not the terminator."""
        content = bytes(answer.content)
        answer.content = content[: max(1, len(content) - 1 - self._missing)] + b"\n"


@fault_kind("wrong count")
class WrongCount(Disturbance):
    """The block's header promises another number of bytes than come."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._by = int(section.quantity("bytes", "", 1.0))

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Rewrite the count where there is one."""
        content = bytes(answer.content)
        found = _BLOCK.match(content)
        if found:
            digits = int(found[1])
            count = max(0, int(content[2 : 2 + digits]) + self._by)
            answer.content = content[:2] + str(count).zfill(digits)[-digits:].encode() + content[2 + digits :]


@fault_kind("garbage first")
class GarbageFirst(Disturbance):
    """Something stands before the answer."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._text = section.text("text", "*** ").encode("latin-1").decode("unicode_escape").encode("latin-1")

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Put it there."""
        answer.content = self._text + bytes(answer.content)


@fault_kind("another answer")
class AnotherAnswer(Disturbance):
    """The instrument says something else: `9.91E+37`, a NUL, nothing but a terminator."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._text = section.text("text").encode("latin-1").decode("unicode_escape").encode("latin-1")

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Exchange the answer."""
        answer.content = self._text + b"\n"


@fault_kind("old answer")
class OldAnswer(Disturbance):
    """The answer to the question before comes once more."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del section, generator
        self._last = b"0\n"

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Exchange the answer for the last one that was right."""
        answer.content = self._last

    def spared(self, content: bytes) -> None:
        """Remember the one that was right."""
        self._last = content


@fault_kind("errors")
class Errors(Disturbance):
    """A burst of errors in the queue."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del generator
        self._count = int(section.quantity("count", "", 5.0))
        self._code = int(section.text("code", "-310"))

    def on_message(self, device: Disturbed) -> None:
        """Fill them in."""
        for _ in range(self._count):
            device.status.complain(ScpiError(self._code, "ordered by the fault file"))


@fault_kind("stuck busy")
class StuckBusy(Disturbance):
    """From then on the instrument is never done, until it is reset."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del section, generator

    def on_message(self, device: Disturbed) -> None:
        """Get stuck."""
        device.is_stuck = True


@fault_kind("reset")
class Reset(Disturbance):
    """The instrument loses its supply for a moment: all settings as after power-on, both queues empty."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        del section, generator

    def on_message(self, device: Disturbed) -> None:
        """Start again."""
        device.power_cycle()


@fault_kind("noisy trigger")
class NoisyTrigger(Disturbance):
    """Interference fires the trigger at some moment within `within`, whatever the signal does."""

    def __init__(self, section: Section, generator: np.random.Generator) -> None:
        self._within = section.quantity("within", "s")
        self._generator = generator

    def on_message(self, device: Disturbed) -> None:
        """Order the next record to be forced."""
        device.instrument.disturb(self._within * float(self._generator.random()))
