"""Companions for the parts of one shot, for records so long that the copy of a channel costs little.

What is computed from several captured channels is computed there from copies of their codes, as it would be here, and
only readings come back. A line that is decoded, and a channel that is derived, stay here, where they are used again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from types import TracebackType
from typing import Any, Generic, Self, TypeVar

from wavewright.instruments.stop_signals import undisturbed
from wavewright.running.common_memory import CodesPlace, CommonMemory, codes_at
from wavewright.running.companion import UNREADABLE, Companion, new_companion
from wavewright.waveform import Capture, Waveform

T = TypeVar("T")
# After that a companion is one that hangs, and its part is done here: outputs may be on meanwhile.
PATIENCE = 10.0  # s; what a new interpreter on a busy machine may take to load what it needs, several times
PATIENCE_PER_SAMPLE = 1e-7  # s per sample and entry: some ten times what a spectrum takes
LOADED = -1  # what asks a companion to load what it needs


@dataclass(frozen=True, slots=True)
class LentCapture:
    """A capture whose codes lie in common memory."""

    bare: Capture
    places: dict[str, CodesPlace]

    def capture(self) -> Capture:
        """In a companion: it, with its codes where they lie."""
        waves = {name: replace(wave, codes=codes_at(self.places[name])) for name, wave in self.bare.waveforms.items()}
        return replace(self.bare, waveforms=waves)


class ShotCompanions(Generic[T]):
    """A `with` block with new interpreters, which load while others are at work; after it they have ended.

    Parameters
    ----------
    work : what is done with a capture that has some of the channels, and the numbers of some entries; with no
        capture, whatever is needed is loaded. Can be pickled.
    count : how many are wanted; there are as many as could be started.
    room : bytes that are lent at least, to each.
    """

    def __init__(self, work: Callable[[Capture | None, Sequence[int]], Sequence[T]], count: int, *, room: int) -> None:
        self._work, self._count, self._room = work, count, room
        self._lenders: list[_Lender] = []

    def __enter__(self) -> Self:
        with suppress(OSError, *UNREADABLE):
            for _ in range(self._count):
                with undisturbed():
                    self._lenders.append(_Lender(partial(_worked, self._work), self._room))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        with undisturbed():
            for one in self._lenders:
                one.end()

    @property
    def processes(self) -> list[int]:
        """The system's numbers of them."""
        return [one.companion.process.pid for one in self._lenders]

    def at(
        self, shot: Capture, channels_of: Callable[[Sequence[int]], Sequence[str] | None]
    ) -> list[Callable[[Sequence[int]], Sequence[T] | None]]:
        """Each of them as somebody who does parts of this shot.

        Parameters
        ----------
        channels_of : the captured channels that some entries need; None for what has to stay here.
        """
        return [partial(one.done, shot, channels_of) for one in self._lenders if not one.companion.is_gone]


class _Lender:
    """One companion, and the memory in common with it."""

    def __init__(self, work: Callable[[Any], object], room: int) -> None:
        self._memory = CommonMemory()
        try:
            self._memory.reserve(room)
            self.companion: Companion = new_companion(work, shared=self._memory.descriptors)
        except BaseException:
            self._memory.close()
            raise
        self.companion.give(LOADED, (None, ()))
        self._asked = 0

    def done(
        self, shot: Capture, channels_of: Callable[[Sequence[int]], Sequence[str] | None], numbers: Sequence[int]
    ) -> Any:
        """What is found there; None where that is left to whoever asks."""
        channels = channels_of(numbers)
        if channels is None or not all(name in shot.waveforms for name in channels):
            return None
        try:
            places = self._memory.put([shot[name].codes for name in channels])
        except (OSError, ValueError):  # not enough memory
            return None
        bare = {name: _without_codes(shot[name]) for name in channels}
        lent = LentCapture(replace(shot, waveforms=bare), dict(zip(channels, places, strict=True)))
        self._asked += 1
        samples = sum(shot[name].codes.size for name in channels)
        patience = PATIENCE + PATIENCE_PER_SAMPLE * samples * len(numbers)
        return self.companion.ask(self._asked, (lent, tuple(numbers)), patience=patience)

    def end(self) -> None:
        self.companion.end()
        self._memory.close()


def _without_codes(wave: Waveform) -> Waveform:
    return replace(wave, codes=wave.codes[:0])


def _worked(work: Callable[[Capture | None, Sequence[int]], Sequence[T]], item: Any) -> Sequence[T]:
    lent, numbers = item
    return work(None if lent is None else lent.capture(), numbers)
