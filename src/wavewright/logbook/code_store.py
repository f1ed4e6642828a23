"""Raw codes kept by content: one HDF5 file per measurement, named by the SHA-256 of the codes in it.

Runs that brought the same codes share a file. What differs from run to run (times, settings, scale) is in the logbook.

    aa/aabbcc….h5      /shot_00000/<channel>   dataset of codes, one row
    outgoing/aabbcc…   an empty file: these codes are still to be brought to the shared store

Where captures are shared by several computers, this folder is what one of them has of them.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import shutil
import time
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, Self, overload

from wavewright.durable_files import put_in_place, sync_file, sync_folder
from wavewright.errors import StorageFault
from wavewright.logbook.captures_away import captures_away
from wavewright.logbook.disk_file import DiskFile
from wavewright.logbook.group_names import group_name
from wavewright.logbook.held_folder import HeldFolder, remove_left_locks, taken_over
from wavewright.logbook.kept_files import KeptFiles
from wavewright.logbook.packed_codes import write_codes
from wavewright.logbook.shared_store import SharedStore
from wavewright.logbook.stored_shots import HASH, StoredShots, changed, content_of, described_shot, feed, hash_of_shot
from wavewright.path_length import within_reach
from wavewright.waveform import Capture

INCOMING, OUTGOING = "incoming", "outgoing"
_ROOM = 80  # characters: two folders and a hash
OLD = 3600.0  # s after which nobody is writing a file any more that has no lock
_FILE = re.compile(r"[0-9a-f]{64}\.h5")


class CodeStore:
    """A folder of raw codes. Adding is atomic: a file has its name only when all of it is on the disk.

    Parameters
    ----------
    shared : where codes are brought to and fetched from that are not in the folder: to the first, from the first that
        has them. Without any the folder is all there is.
    """

    def __init__(self, folder: Path, shared: Sequence[SharedStore] = ()) -> None:
        self.folder = within_reach(folder, _ROOM)
        self.shared = tuple(shared)
        self.files = KeptFiles(self.folder, self.shared)

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

    def shots(self, content: str, described: Sequence[Mapping[str, Any]], *, taken: str = "") -> StoredShots:
        """The captures again, lazily.

        Parameters
        ----------
        taken : what became of them, if they were taken out rightly: it is said where no other run needed them either.
        """
        locate = partial(self.locate, taken=taken) if taken else self.locate
        return StoredShots(content, self.path(content), locate, tuple(described))

    def contents(self) -> Iterator[str]:
        """The hashes of all files that are in the folder."""
        return (path.stem for path in sorted(self.folder.glob("??/*.h5")) if _FILE.fullmatch(path.name))

    def locate(self, content: str, *, taken: str = "") -> Path:
        """The file with the codes of that hash, fetched from a shared store if it is not in the folder; see `shots`.

        Raises
        ------
        StorageFault : it is nowhere, cannot be fetched, or has changed where it was kept.
        """
        path = self.path(content)
        if path.exists():
            return path
        for store in self.shared:
            with self._fetched(store, content) as file:
                if file is None:
                    continue
                if content_of(file) != content:
                    raise changed(Path(store.path(content)))
                self.take_in(file, path)
            return path
        raise captures_away(path, [store.where for store in self.shared], taken)

    def has(self, content: str) -> bool:
        """Whether the place that counts has the codes of that hash: the first shared store, or else the folder.

        Raises
        ------
        StorageFault : the shared store cannot be reached.
        """
        if not self.shared or self._mark(content).exists():
            return self.path(content).exists()
        return self.shared[0].has(content)

    def flaw(self, content: str) -> str:
        """What is wrong with the codes of that hash, here or in the shared store; empty if nothing is."""
        here = self.path(content)
        if not self.shared or self._mark(content).exists():
            return _flaw(str(here), here if here.exists() else None, content)
        store = self.shared[0]
        found = _flaw(str(here), here, content) if here.exists() else ""  # a copy need not be here
        if not found:
            with self._fetched(store, content) as file:
                found = _flaw(store.path(content), file, content)
        return found

    def waiting(self) -> list[str]:
        """The hashes of codes that are still to be brought to the shared store."""
        return sorted(path.name for path in (self.folder / OUTGOING).glob("[0-9a-f]*"))

    def send_waiting(self) -> int:
        """Bring what waits to the shared store, attached files too; returns how many files of codes it took.

        Raises
        ------
        StorageFault : it cannot be reached; what was not brought stays and waits.
        """
        self.files.send_waiting()
        sent = 0
        for content in self.waiting() if self.shared else ():
            path, mark = self.path(content), self._mark(content)
            if path.exists():
                self.shared[0].put(content, path)
                sent += 1
            elif _is_new(mark):
                continue  # another process is about to give the file its name
            # else `prune` took it: no run needs it
            with _kept(self.folder):
                mark.unlink(missing_ok=True)
        return sent

    def mark_outgoing(self, content: str) -> None:
        """Note, before codes have their name here, that they are to be brought to the shared store.

        Raises
        ------
        StorageFault : the disk does not take the note.
        """
        if self.shared:
            mark = self._mark(content)
            with _kept(mark.parent):
                mark.parent.mkdir(parents=True, exist_ok=True)
                mark.touch()
                sync_folder(mark.parent)

    def drop_copies(self, *, dry: bool = False) -> tuple[int, int]:
        """Delete from the folder what the shared store has too; returns how many files, and bytes.

        Raises
        ------
        StorageFault : it cannot be reached.
        """
        waiting, count, size = set(self.waiting()), 0, 0
        for content in list(self.contents()) if self.shared else ():
            if content not in waiting and self.shared[0].has(content):
                count, size = count + 1, size + self.path(content).stat().st_size
                if not dry:
                    self.remove(content)
        return count, size

    def _mark(self, content: str) -> Path:
        return self.folder / OUTGOING / content

    @contextlib.contextmanager
    def _fetched(self, store: SharedStore, content: str) -> Iterator[Path | None]:
        """A copy of a store's file for as long as the block lasts; None if the store does not have it."""
        with _kept(self.folder):
            held = HeldFolder(self.folder, INCOMING)
        try:
            file = held.path / "fetched.part"
            yield file if store.get(content, file) else None
        finally:
            held.remove()

    def take_in(self, part: Path, path: Path) -> None:
        """Give a file that is whole its name; an existing one stays."""
        with _kept(path.parent):
            if path.exists():
                part.unlink()
                return
            path.parent.mkdir(parents=True, exist_ok=True)
            sync_file(part)
            try:
                put_in_place(part, path)
            except PermissionError:
                if not path.exists():  # else another process has brought the same codes, and has them open
                    raise
                part.unlink()
            sync_folder(path.parent)

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
                write_codes(group, group_name(channel), wave.codes)
            self._disk.check()
        for channel, wave in shot.waveforms.items():
            feed(self._digest, number, channel, wave.codes)
        self._described.append({**described_shot(shot), HASH: hash_of_shot(number, shot)})

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
        self._store.mark_outgoing(content)
        with _kept(path.parent):
            self._file.close()
            self._disk.close()
            self._disk.check()
        self._store.take_in(self._part, path)
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


def _is_new(mark: Path) -> bool:
    try:
        return time.time() - mark.stat().st_mtime < OLD
    except FileNotFoundError:  # another process has taken it away since
        return False


def _flaw(name: str, file: Path | None, content: str) -> str:
    if file is None:
        return f"the captures {name} are missing"
    try:
        is_intact = content_of(file) == content
    except Exception:  # other people's code: h5py raises anything at all on a file that was changed
        return f"the captures {name} cannot be read"
    return "" if is_intact else f"the captures {name} have changed"


@contextlib.contextmanager
def _kept(folder: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError, RuntimeError) as fault:  # HDF5 reports a full disk as any of them
        raise StorageFault(
            f"the captures cannot be kept: {fault}", where=str(folder), do="free space, or name another --logbook"
        ) from fault
