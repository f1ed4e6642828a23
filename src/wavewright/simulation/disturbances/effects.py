"""Kinds of faults: what each does to a message, an answer or the instrument. A new kind is one entry here."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Protocol

import numpy as np
from pydantic import Field

from wavewright.grammar.quantity_fields import Number, Seconds
from wavewright.grammar.word_fields import CountFrom
from wavewright.registry import Registry
from wavewright.simulation.disturbances.occasion import DisturbanceEntry
from wavewright.simulation.scpi.disturbance import Disturbance, Disturbed, OutgoingAnswer
from wavewright.simulation.scpi.error_queue import ScpiError

_BLOCK = re.compile(rb"#([1-9])")


class MakeDisturbance(Protocol):
    """A class of disturbances: what its entry holds, and how one is made."""

    entry: type[DisturbanceEntry]

    def __call__(self, entry: Any, generator: np.random.Generator) -> Disturbance:
        """The disturbance that an entry orders."""
        ...


_kinds: Registry[MakeDisturbance] = Registry(
    "fault kind", package="wavewright.simulation.disturbances", group="wavewright.fault_kinds"
)
fault_kind = _kinds.entering


def fault_kinds() -> Mapping[str, MakeDisturbance]:
    """Every kind of fault by the name that fault files use."""
    return _kinds.everything()


class DropTheLinkEntry(DisturbanceEntry):
    """The connection breaks after this many bytes of the answer; opening it again helps."""

    bytes: Annotated[int, CountFrom(0)] = Field(
        default=0, description="number of bytes of the answer after which the link breaks", examples=["20k"]
    )


@fault_kind("drop the link")
class DropTheLink(Disturbance):
    """The connection breaks after this many bytes of the answer; opening it again helps."""

    entry: ClassVar[type[DisturbanceEntry]] = DropTheLinkEntry

    def __init__(self, entry: DropTheLinkEntry, generator: np.random.Generator) -> None:
        del generator
        self._after = entry.bytes

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Let only the first bytes through."""
        answer.drop_after = self._after


class DelayEntry(DisturbanceEntry):
    """The answer comes late."""

    by: Seconds = Field(description="how much later the answer comes", examples=["3 s"])


@fault_kind("delay")
class Delay(Disturbance):
    """The answer comes late."""

    entry: ClassVar[type[DisturbanceEntry]] = DelayEntry

    def __init__(self, entry: DelayEntry, generator: np.random.Generator) -> None:
        del generator
        self._by = entry.by

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Hold it back."""
        answer.delay += self._by


class GarbleEntry(DisturbanceEntry):
    """Some bytes of the answer are others than were sent."""

    bytes: Annotated[int, CountFrom(0)] = Field(default=1, description="number of wrong bytes", examples=[2])


@fault_kind("garble")
class Garble(Disturbance):
    """Some bytes of the answer are others than were sent."""

    entry: ClassVar[type[DisturbanceEntry]] = GarbleEntry

    def __init__(self, entry: GarbleEntry, generator: np.random.Generator) -> None:
        self._count = entry.bytes
        self._generator = generator

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Exchange bytes at places that chance gives, the terminator excepted."""
        garbled = bytearray(answer.content)
        for place in self._generator.integers(0, max(1, len(garbled) - 1), self._count):
            garbled[int(place)] ^= int(self._generator.integers(1, 256))
        answer.content = bytes(garbled)


class ShortBlockEntry(DisturbanceEntry):
    """The answer ends some bytes before its block does, terminator and all."""

    bytes: Annotated[int, CountFrom(0)] = Field(default=100, description="number of missing bytes", examples=[100])


@fault_kind("short block")
class ShortBlock(Disturbance):
    """The answer ends some bytes before its block does, terminator and all."""

    entry: ClassVar[type[DisturbanceEntry]] = ShortBlockEntry

    def __init__(self, entry: ShortBlockEntry, generator: np.random.Generator) -> None:
        del generator
        self._missing = entry.bytes

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Cut the end off, but not the terminator."""
        content = bytes(answer.content)
        answer.content = content[: max(1, len(content) - 1 - self._missing)] + b"\n"


class WrongCountEntry(DisturbanceEntry):
    """The block's header promises another number of bytes than come."""

    bytes: Number = Field(default=1.0, description="by how much the promised number is too large", examples=["-8"])


@fault_kind("wrong count")
class WrongCount(Disturbance):
    """The block's header promises another number of bytes than come."""

    entry: ClassVar[type[DisturbanceEntry]] = WrongCountEntry

    def __init__(self, entry: WrongCountEntry, generator: np.random.Generator) -> None:
        del generator
        self._by = int(entry.bytes)

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Rewrite the count where there is one."""
        content = bytes(answer.content)
        found = _BLOCK.match(content)
        if found:
            digits = int(found[1])
            count = max(0, int(content[2 : 2 + digits]) + self._by)
            answer.content = content[:2] + str(count).zfill(digits)[-digits:].encode() + content[2 + digits :]


class GarbageFirstEntry(DisturbanceEntry):
    """Something is before the answer."""

    text: str = Field(default="*** ", description="what comes first; `\\x00` stands for a NUL", examples=["*** "])


@fault_kind("garbage first")
class GarbageFirst(Disturbance):
    """Something is before the answer."""

    entry: ClassVar[type[DisturbanceEntry]] = GarbageFirstEntry

    def __init__(self, entry: GarbageFirstEntry, generator: np.random.Generator) -> None:
        del generator
        self._text = entry.text.encode("latin-1").decode("unicode_escape").encode("latin-1")

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Put it there."""
        answer.content = self._text + bytes(answer.content)


class AnotherAnswerEntry(DisturbanceEntry):
    """The instrument says something else: `9.91E+37`, a NUL, nothing but a terminator."""

    text: str = Field(description="the answer; `\\x00` stands for a NUL", examples=["9.91E+37"])


@fault_kind("another answer")
class AnotherAnswer(Disturbance):
    """The instrument says something else: `9.91E+37`, a NUL, nothing but a terminator."""

    entry: ClassVar[type[DisturbanceEntry]] = AnotherAnswerEntry

    def __init__(self, entry: AnotherAnswerEntry, generator: np.random.Generator) -> None:
        del generator
        self._text = entry.text.encode("latin-1").decode("unicode_escape").encode("latin-1")

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Exchange the answer."""
        answer.content = self._text + b"\n"


@fault_kind("old answer")
class OldAnswer(Disturbance):
    """The answer to the query before comes once more."""

    entry: ClassVar[type[DisturbanceEntry]] = DisturbanceEntry

    def __init__(self, entry: DisturbanceEntry, generator: np.random.Generator) -> None:
        del entry, generator
        self._last = b"0\n"

    def on_answer(self, answer: OutgoingAnswer) -> None:
        """Exchange the answer for the last one that was right."""
        answer.content = self._last

    def spared(self, content: bytes) -> None:
        """Remember the one that was right."""
        self._last = content


class ErrorsEntry(DisturbanceEntry):
    """A burst of errors in the queue."""

    count: Annotated[int, CountFrom(0)] = Field(default=5, description="number of errors", examples=[30])
    code: int = Field(default=-310, description="code of each error", examples=[-310])


@fault_kind("errors")
class Errors(Disturbance):
    """A burst of errors in the queue."""

    entry: ClassVar[type[DisturbanceEntry]] = ErrorsEntry

    def __init__(self, entry: ErrorsEntry, generator: np.random.Generator) -> None:
        del generator
        self._count = entry.count
        self._code = entry.code

    def on_message(self, device: Disturbed) -> None:
        """Fill them in."""
        for _ in range(self._count):
            device.status.complain(ScpiError(self._code, "ordered by the fault file"))


@fault_kind("stuck busy")
class StuckBusy(Disturbance):
    """From then on the instrument is never done, until it is reset."""

    entry: ClassVar[type[DisturbanceEntry]] = DisturbanceEntry

    def __init__(self, entry: DisturbanceEntry, generator: np.random.Generator) -> None:
        del entry, generator

    def on_message(self, device: Disturbed) -> None:
        """Get stuck."""
        device.is_stuck = True


@fault_kind("reset")
class Reset(Disturbance):
    """The instrument loses its supply for a moment: all settings as after power-on, both queues empty."""

    entry: ClassVar[type[DisturbanceEntry]] = DisturbanceEntry

    def __init__(self, entry: DisturbanceEntry, generator: np.random.Generator) -> None:
        del entry, generator

    def on_message(self, device: Disturbed) -> None:
        """Start again."""
        device.power_cycle()


class NoisyTriggerEntry(DisturbanceEntry):
    """Interference fires the trigger at some moment within `within`, whatever the signal does."""

    within: Seconds = Field(description="the trigger comes at some moment within this time", examples=["500 us"])


@fault_kind("noisy trigger")
class NoisyTrigger(Disturbance):
    """Interference fires the trigger at some moment within `within`, whatever the signal does."""

    entry: ClassVar[type[DisturbanceEntry]] = NoisyTriggerEntry

    def __init__(self, entry: NoisyTriggerEntry, generator: np.random.Generator) -> None:
        self._within = entry.within
        self._generator = generator

    def on_message(self, device: Disturbed) -> None:
        """Order the next record to be forced."""
        device.instrument.disturb(self._within * float(self._generator.random()))


class SlowToArmEntry(DisturbanceEntry):
    """The next record begins late, and no trigger is heeded until then."""

    by: Seconds = Field(description="time from the message that arms to the beginning", examples=["300 ms"])


@fault_kind("slow to arm")
class SlowToArm(Disturbance):
    """The next record begins late, and no trigger is heeded until then."""

    entry: ClassVar[type[DisturbanceEntry]] = SlowToArmEntry

    def __init__(self, entry: SlowToArmEntry, generator: np.random.Generator) -> None:
        del generator
        self._by = entry.by

    def on_message(self, device: Disturbed) -> None:
        """Order the next record to begin late."""
        device.instrument.arm_late(self._by)
