"""Shots whose codes lie in a file of a store: what they are without the codes, and each of them whole when it is read.

The hash of each shot's codes is computed again at every read. Of shots that were kept before there were such hashes,
the whole file is, before the first one is read.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, overload

import numpy as np

from wavewright.errors import StorageFault
from wavewright.logbook.group_names import group_name, plain_name
from wavewright.logbook.packed_codes import read_codes
from wavewright.waveform import Capture, Waveform

SCALE = ("gain", "offset", "interval", "start", "unit")
HASH = "sha256"  # of a shot's codes, in its description
_VERIFY = "run `wavewright logbook verify`"


@dataclass(frozen=True, slots=True)
class StoredShots(Sequence[Capture]):
    """The shots of one measurement: descriptions in memory, codes read from the file when a shot is asked for.

    Parameters
    ----------
    content : hash of all their codes.
    locate : gives the file with the codes of a hash, which may be fetched for it; `path` is where it will be.
    """

    content: str
    path: Path
    locate: Callable[[str], Path]
    shots: tuple[Mapping[str, Any], ...]
    _known: list[Path] = field(default_factory=list, repr=False, compare=False)

    def __len__(self) -> int:
        return len(self.shots)

    @overload
    def __getitem__(self, index: int) -> Capture: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Capture]: ...
    def __getitem__(self, index: int | slice) -> Capture | Sequence[Capture]:
        numbers = range(len(self.shots))[index]
        if isinstance(numbers, range):
            return [self[number] for number in numbers]
        return self._read(numbers)

    def apart(self) -> Sequence[Capture]:
        """The same, for another process on this computer: it reads the file where that lies now."""
        return replace(self, locate=partial(_given, self.path))

    def _read(self, number: int) -> Capture:
        described = self.shots[number]
        path = self.locate(self.content)
        if HASH not in described and path not in self._known:
            if content_of(path) != self.content:
                raise changed(path)
            self._known.append(path)
        with opened(path) as file:
            group = file[f"shot_{number:05}"]
            capture = described_capture(described, lambda name: read_codes(group[group_name(name)]))
        if HASH in described and hash_of_shot(number, capture) != described[HASH]:
            raise changed(path)
        return capture


def _given(path: Path, content: str) -> Path:
    return path


def described_shot(shot: Capture) -> dict[str, Any]:
    """What a capture is but for its codes, as plain JSON; `described_capture` puts it together again."""
    return {
        "trigger_time": shot.trigger_time,
        "triggered": shot.triggered,
        "settings": dict(shot.settings),
        "identity": shot.identity,
        "taken": shot.taken.isoformat(),
        "waveforms": {
            name: {**{key: getattr(wave, key) for key in SCALE}, "code_range": wave.code_range}
            for name, wave in shot.waveforms.items()
        },
    }


def described_capture(described: Mapping[str, Any], codes: Callable[[str], np.ndarray[Any, Any]]) -> Capture:
    """The capture of a description, with the codes of each channel."""
    waveforms = {
        name: Waveform(
            codes(name),
            **{key: about[key] for key in SCALE},
            name=name,
            code_range=None if about["code_range"] is None else tuple(about["code_range"]),
        )
        for name, about in described["waveforms"].items()
    }
    return Capture(
        waveforms,
        trigger_time=described["trigger_time"],
        triggered=described["triggered"],
        settings=described["settings"],
        identity=described["identity"],
        taken=datetime.fromisoformat(described["taken"]),
    )


def feed(digest: Any, number: int, channel: str, codes: np.ndarray[Any, Any]) -> None:
    """One channel of one shot, with its place and type, so that no two different captures have the same bytes."""
    digest.update(json.dumps([number, channel, codes.dtype.str, codes.size]).encode())
    digest.update(np.ascontiguousarray(codes).data)


def hash_of_shot(number: int, shot: Capture) -> str:
    """The hash of the codes of one shot."""
    digest = hashlib.sha256()
    for channel, wave in shot.waveforms.items():
        feed(digest, number, channel, wave.codes)
    return digest.hexdigest()


def content_of(path: Path) -> str:
    """The hash of all codes in a file, which is its name as long as nobody has changed it.

    Raises
    ------
    StorageFault : there is no such file, or it cannot be read.
    """
    digest = hashlib.sha256()
    with opened(path) as file:
        for number, shot in enumerate(file):
            for name, codes in file[shot].items():
                feed(digest, number, plain_name(name), read_codes(codes))
    return digest.hexdigest()


def changed(path: Path) -> StorageFault:
    """What is said of codes that do not have their hash any more."""
    return StorageFault("the captures have changed since they were kept", where=str(path), do=_VERIFY)


@contextlib.contextmanager
def opened(path: Path) -> Iterator[Any]:
    """A file of codes, for reading.

    Raises
    ------
    StorageFault : it cannot be opened, or what is in it cannot be read.
    """
    import h5py

    try:
        with h5py.File(path, "r") as file:
            yield file
    except (OSError, KeyError, ValueError, RuntimeError) as fault:  # HDF5 has all of them for a file that is damaged
        raise StorageFault(f"the captures cannot be read: {fault}", where=str(path), do=_VERIFY) from fault
