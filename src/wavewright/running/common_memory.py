"""Memory that this process has in common with its companions, for codes that would take long through a pipe.

It has no name in any folder, so that nothing can be left of it however the processes end; on Windows, where it has one,
it ends with the last process that has it open. It does not count as the space for shared memory that a container may
have little of.
"""

from __future__ import annotations

import mmap
import os
import secrets
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from wavewright.waveform import Codes

STEP = 1 << 12  # bytes; arrays begin at multiples of it, as pages of memory do


@dataclass(frozen=True, slots=True)
class CodesPlace:
    """Where an array lies.

    Attributes
    ----------
    where : the descriptor of the memory, which a companion has under the same number; on Windows its name.
    room : of the whole memory, bytes.
    begin : of the array, bytes.
    kind, size : of the array: `dtype.str`, elements.
    """

    where: int | str
    room: int
    begin: int
    kind: str
    size: int


class CommonMemory:
    """Memory of this process and its companions: it grows with what is put into it.

    Raises
    ------
    OSError : the system has none.
    """

    def __init__(self) -> None:
        self._room = 0
        self._view: mmap.mmap | None = None
        self._where: int | str = ""
        if sys.platform != "win32":
            if not hasattr(os, "memfd_create"):
                raise OSError("no memory without a name on this system")
            self._where = os.memfd_create("wavewright")

    @property
    def descriptors(self) -> tuple[int, ...]:
        """What a companion has to be started with."""
        return (self._where,) if isinstance(self._where, int) else ()

    def reserve(self, room: int) -> None:
        """Have room for this many bytes.

        Raises
        ------
        OSError : there is not so much memory.
        """
        if room <= self._room:
            return
        if isinstance(self._where, int):
            os.posix_fallocate(self._where, 0, room)  # all of it now: where it is lacking, a later write would be fatal
            self._view = mmap.mmap(self._where, room)
        else:
            name = f"wavewright-{os.getpid()}-{secrets.token_hex(8)}"
            self._view = _named(name, room)
            self._where = name
        self._room = room

    def put(self, arrays: Sequence[Codes]) -> list[CodesPlace]:
        """Copy arrays into it, over whatever was in it before; OSError as `reserve`."""
        begins = [0]
        for one in arrays:
            begins.append(begins[-1] + -(-one.nbytes // STEP) * STEP)
        self.reserve(max(begins[-1], STEP))
        assert self._view is not None
        places = []
        for begin, one in zip(begins, arrays, strict=False):
            there = np.frombuffer(self._view, dtype=one.dtype, count=one.size, offset=begin)
            there[:] = one
            places.append(CodesPlace(self._where, self._room, begin, one.dtype.str, one.size))
        return places

    def close(self) -> None:
        """Let it go; a companion that has it open keeps it until it ends."""
        self._view = None
        if isinstance(self._where, int):
            with suppress(OSError):
                os.close(self._where)
            self._where = ""


def codes_at(place: CodesPlace) -> Codes:
    """In a companion: an array, where it lies."""
    return np.frombuffer(_seen(place.where, place.room), dtype=place.kind, count=place.size, offset=place.begin)


@lru_cache(maxsize=1)
def _seen(where: int | str, room: int) -> mmap.mmap:
    if isinstance(where, int):
        return mmap.mmap(where, room, access=mmap.ACCESS_READ)
    return _named(where, room)


def _named(name: str, room: int) -> mmap.mmap:
    windows: Any = mmap.mmap  # only there a mapping has a name
    found: mmap.mmap = windows(-1, room, tagname=name)
    return found
