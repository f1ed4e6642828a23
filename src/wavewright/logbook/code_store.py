"""Raw codes kept by content: one HDF5 file a measurement, named by the SHA-256 of the codes in it.

Runs that brought the same codes share a file. What differs from run to run (times, settings, scale) is in the logbook.

    aa/aabbcc….h5      /shot_00000/<channel>   dataset of codes, one row
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, overload

import numpy as np

from wavewright.errors import StorageFault
from wavewright.logbook.group_names import group_name, plain_name
from wavewright.waveform import Capture, Waveform

SCALE = ("gain", "offset", "interval", "start", "unit")


@dataclass(frozen=True, slots=True)
class StoredShots(Sequence[Capture]):
    """The shots of one measurement: descriptions in memory, codes read from the file when a shot is asked for."""

    path: Path
    shots: tuple[Mapping[str, Any], ...]

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
        return _capture(self.path, numbers, self.shots[numbers])


class CodeStore:
    """A folder of raw codes. Adding is atomic: a file has its name only when all of it is on the disk."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def add(self, shots: Sequence[Capture]) -> tuple[str, list[dict[str, Any]]]:
        """Keep the codes of a measurement; returns their hash and the description of each shot.

        Raises
        ------
        StorageFault : the disk does not take them.
        """
        digest = hashlib.sha256()
        described: list[dict[str, Any]] = []
        for number, shot in enumerate(shots):
            described.append(_described(shot))
            for name, wave in shot.waveforms.items():
                _feed(digest, number, name, wave.codes)
        content = digest.hexdigest()
        path = self.path(content)
        if not path.exists():
            self._write(path, shots)
        return content, described

    def path(self, content: str) -> Path:
        """Where the codes of that hash lie, or would."""
        return self.folder / content[:2] / f"{content}.h5"

    def shots(self, content: str, described: Sequence[Mapping[str, Any]]) -> StoredShots:
        """The captures again, lazily."""
        return StoredShots(self.path(content), tuple(described))

    def contents(self) -> Iterator[str]:
        """The hashes of all files that are there."""
        return (path.stem for path in sorted(self.folder.glob("??/*.h5")))

    def is_intact(self, content: str) -> bool:
        """Whether the codes in a file still have the hash that is its name.

        Raises
        ------
        StorageFault : there is no such file, or it cannot be read.
        """
        digest = hashlib.sha256()
        with _opened(self.path(content)) as file:
            for number, shot in enumerate(file):
                for name, codes in file[shot].items():
                    _feed(digest, number, plain_name(name), codes[()])
        return digest.hexdigest() == content

    def remove(self, content: str) -> int:
        """Delete a file; returns how many bytes that gave back."""
        path = self.path(content)
        size = path.stat().st_size
        path.unlink()
        with contextlib.suppress(OSError):  # others are in it
            path.parent.rmdir()
        return size

    def _write(self, path: Path, shots: Sequence[Capture]) -> None:
        import h5py

        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(prefix=".", suffix=".part", dir=path.parent)
            os.close(handle)
            try:
                with h5py.File(name, "w", track_order=True) as file:
                    for number, shot in enumerate(shots):
                        group = file.create_group(f"shot_{number:05}", track_order=True)
                        for channel, wave in shot.waveforms.items():
                            group.create_dataset(group_name(channel), data=wave.codes)
                _to_disk(Path(name))
                Path(name).rename(path)  # two runs with the same codes: the later one replaces the same by the same
                _to_disk(path.parent)
            except BaseException:
                Path(name).unlink(missing_ok=True)
                raise
        except (OSError, ValueError, RuntimeError) as fault:  # HDF5 reports a full disk as any of them
            raise StorageFault(
                f"the captures cannot be kept: {fault}",
                where=str(path.parent),
                do="make room, or name another --logbook",
            ) from fault


def _feed(digest: Any, number: int, channel: str, codes: np.ndarray[Any, Any]) -> None:
    """One channel of one shot, with its place and type, so that no two different captures have the same bytes."""
    digest.update(json.dumps([number, channel, codes.dtype.str, codes.size]).encode())
    digest.update(np.ascontiguousarray(codes).data)


def _described(shot: Capture) -> dict[str, Any]:
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


def _capture(path: Path, number: int, described: Mapping[str, Any]) -> Capture:
    with _opened(path) as file:
        group = file[f"shot_{number:05}"]
        waveforms = {
            name: Waveform(
                group[group_name(name)][()],
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


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Any]:
    import h5py

    try:
        file = h5py.File(path, "r")
    except OSError as fault:
        raise StorageFault(
            f"the captures cannot be read: {fault}", where=str(path), do="run `wavewright logbook verify`"
        ) from fault
    with file:
        yield file


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
