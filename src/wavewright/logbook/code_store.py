"""Raw codes kept by content: one HDF5 file per measurement, named by the SHA-256 of the codes in it.

Runs that brought the same codes share a file. What differs from run to run (times, settings, scale) is in the logbook.

    aa/aabbcc….h5      /shot_00000/<channel>   dataset of codes, one row
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, overload

import numpy as np

from wavewright.durable_files import put_in_place, sync_file, sync_folder
from wavewright.errors import StorageFault
from wavewright.logbook.disk_file import DiskFile
from wavewright.logbook.group_names import group_name, plain_name
from wavewright.logbook.held_folder import HeldFolder, remove_left_locks, taken_over
from wavewright.path_length import within_reach
from wavewright.waveform import Capture, Waveform

INCOMING = "incoming"
_ROOM = 80  # characters: two folders and a hash
OLD = 3600.0  # s after which nobody is writing a file any more that has no lock
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
        self.folder = within_reach(folder, _ROOM)

    def add(self, shots: Sequence[Capture]) -> tuple[str, list[dict[str, Any]]]:
        """Keep the codes of a measurement; returns their hash and the description of each shot.

        Shots that were kept as they came (`Collection`) are not examined again.

        Raises
        ------
        StorageFault : the disk does not take them.
        """
        if isinstance(shots, CollectedShots) and self.path(shots.content).exists():
            return shots.content, list(shots.described)
        with Collection(self) as collection:
            for shot in shots:
                collection.keep("", shot)
            return collection.close_measurement()

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

    def clear_incoming(self, *, dry: bool = False) -> tuple[int, int]:
        """Delete what killed runs left on its way into the store; returns how many files, and bytes.

        Parameters
        ----------
        dry : only count.
        """
        count, size = 0, 0
        for folder in sorted(path for path in self.folder.glob(f".{INCOMING}.*") if path.is_dir()):
            with taken_over(folder) as is_left:
                if is_left:
                    files = list(folder.glob("*"))
                    count, size = count + len(files), size + sum(file.stat().st_size for file in files)
                    if not dry:
                        shutil.rmtree(folder)
        old = time.time() - OLD
        for part in self.folder.glob("??/.*.part"):  # of versions that wrote there
            if part.stat().st_mtime < old:
                count, size = count + 1, size + part.stat().st_size
                if not dry:
                    part.unlink()
        if not dry and self.folder.is_dir():
            remove_left_locks(self.folder)
        return count, size

    def remove(self, content: str) -> int:
        """Delete a file; returns how many bytes that gave back."""
        path = self.path(content)
        size = path.stat().st_size
        path.unlink()
        with contextlib.suppress(OSError):  # others are in it
            path.parent.rmdir()
        return size


class Collection:
    """Codes on their way into a store, shot by shot; a `with` block leaves those of whole measurements.

    What is not finished lies in a dotted folder of the store, which `prune` clears after a kill.

    Raises
    ------
    StorageFault : the store's folder does not take a file.
    """

    def __init__(self, store: CodeStore) -> None:
        self._store = store
        self._finished: dict[str, tuple[str, list[dict[str, Any]]]] = {}
        self._label: str | None = None
        with _kept(store.folder):
            self._held = HeldFolder(store.folder, INCOMING)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._abandon()
        self._held.remove()

    def keep(self, label: str, shot: Capture) -> None:
        """Write one shot of a measurement; the shots of a measurement come one after the other.

        Raises
        ------
        StorageFault : the disk does not take it.
        """
        if label != self._label:
            self._finish_measurement()
            self._begin(label)
        number = len(self._described)
        with _kept(self._store.folder):
            group = self._file.create_group(f"shot_{number:05}", track_order=True)
            for channel, wave in shot.waveforms.items():
                group.create_dataset(group_name(channel), data=wave.codes)
            self._disk.check()
        for channel, wave in shot.waveforms.items():
            _feed(self._digest, number, channel, wave.codes)
        self._described.append(described_shot(shot))

    def close_measurement(self) -> tuple[str, list[dict[str, Any]]]:
        """Give the file of the measurement at hand its name; returns the hash and the descriptions.

        Raises
        ------
        StorageFault : the disk does not take the rest of it.
        """
        if self._label is None:
            self._begin("")
        label = str(self._label)
        self._finish_measurement()
        return self._finished[label]

    def finish(self, shots: Mapping[str, Sequence[Capture]]) -> dict[str, CollectedShots]:
        """All measurements, with the same shots in another place for whoever needs them.

        Raises
        ------
        StorageFault : the disk does not take the rest of them.
        """
        self._finish_measurement()
        return {label: CollectedShots(shots[label], *kept) for label, kept in self._finished.items()}

    def _begin(self, label: str) -> None:
        import h5py

        self._label, self._described, self._digest = label, list[dict[str, Any]](), hashlib.sha256()
        self._part = self._held.path / f"{len(self._finished)}.part"
        with _kept(self._store.folder):
            self._disk = DiskFile(self._part)
            self._file = h5py.File(self._disk, "w", track_order=True)

    def _finish_measurement(self) -> None:
        if self._label is None:
            return
        content = self._digest.hexdigest()
        path = self._store.path(content)
        with _kept(path.parent):
            self._file.close()
            self._disk.close()
            self._disk.check()
            if path.exists():
                self._part.unlink()
            else:
                path.parent.mkdir(parents=True, exist_ok=True)
                sync_file(self._part)
                try:
                    put_in_place(self._part, path)
                except PermissionError:
                    if not path.exists():  # else another run has brought the same codes, and has them open
                        raise
                    self._part.unlink()
                sync_folder(path.parent)
        self._finished[self._label] = content, self._described
        self._label = None

    def _abandon(self) -> None:
        if self._label is not None:
            self._label = None
            with contextlib.suppress(OSError, ValueError, RuntimeError):
                self._file.close()
            self._disk.close()


class CollectedShots(Sequence[Capture]):
    """Shots whose codes are in a store already, to be read from where the run has kept them."""

    def __init__(self, shots: Sequence[Capture], content: str, described: Sequence[Mapping[str, Any]]) -> None:
        self._shots, self.content, self.described = shots, content, [dict(one) for one in described]

    def __len__(self) -> int:
        return len(self._shots)

    @overload
    def __getitem__(self, index: int) -> Capture: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Capture]: ...
    def __getitem__(self, index: int | slice) -> Capture | Sequence[Capture]:
        return self._shots[index]


def _feed(digest: Any, number: int, channel: str, codes: np.ndarray[Any, Any]) -> None:
    """One channel of one shot, with its place and type, so that no two different captures have the same bytes."""
    digest.update(json.dumps([number, channel, codes.dtype.str, codes.size]).encode())
    digest.update(np.ascontiguousarray(codes).data)


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


def _capture(path: Path, number: int, described: Mapping[str, Any]) -> Capture:
    with _opened(path) as file:
        group = file[f"shot_{number:05}"]
        return described_capture(described, lambda name: group[group_name(name)][()])


@contextlib.contextmanager
def _kept(folder: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError, RuntimeError) as fault:  # HDF5 reports a full disk as any of them
        raise StorageFault(
            f"the captures cannot be kept: {fault}", where=str(folder), do="free space, or name another --logbook"
        ) from fault


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
