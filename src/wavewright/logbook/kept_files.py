"""Attached files kept by content beside the raw codes: each once, whichever runs have it, named by its SHA-256.

files/aa/aabbcc…        on this computer, and in a shared store below the same names
files/outgoing/aabbcc…  an empty file: this one is still to be brought to the shared store
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from wavewright.durable_files import sync_folder, take_away, write_whole
from wavewright.errors import StorageFault
from wavewright.logbook.shared_store import SharedStore

FILES, OUTGOING = "files", "outgoing"
_HASH = re.compile("[0-9a-f]{64}")


class KeptFiles:
    """The attached files of a logbook.

    Parameters
    ----------
    folder : that of the raw codes; shared : the stores that are shared with other computers, as for the codes.
    """

    def __init__(self, folder: Path, shared: Sequence[SharedStore] = ()) -> None:
        self._folder, self._shared = folder / FILES, tuple(shared)

    def path(self, sha256: str) -> Path:
        """Where the file of that hash lies, or would."""
        return self._folder / sha256[:2] / sha256

    def add(self, sha256: str, content: bytes) -> None:
        """Keep a file; one that is there stays.

        Raises
        ------
        StorageFault : the disk does not take it.
        """
        path = self.path(sha256)
        if path.exists() and hash_of(path) == sha256:
            return
        try:
            if self._shared:
                mark = self._folder / OUTGOING / sha256
                mark.parent.mkdir(parents=True, exist_ok=True)
                mark.touch()
                sync_folder(mark.parent)
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, content)
        except OSError as fault:
            raise StorageFault(
                f"an attachment cannot be kept: {fault.strerror or fault}",
                where=str(path),
                do="free space, or name another --logbook",
            ) from fault

    def locate(self, sha256: str) -> Path:
        """The file of that hash, fetched from a shared store if it is not here.

        Raises
        ------
        StorageFault : it is nowhere, or has changed where it was kept.
        """
        path = self.path(sha256)
        if path.exists():
            return path
        for store in self._shared:
            content = store.read_file(_name_in_store(sha256))
            if content is None:
                continue
            if hashlib.sha256(content).hexdigest() != sha256:
                raise StorageFault("an attachment has changed", where=f"{store.where}/{_name_in_store(sha256)}")
            self.add(sha256, content)
            (self._folder / OUTGOING / sha256).unlink(missing_ok=True)
            return path
        raise StorageFault("an attachment is missing", where=str(path), expected="this file")

    def flaw(self, sha256: str) -> str:
        """What is wrong with a file, here or in the shared store; empty if nothing is."""
        try:
            path = self.locate(sha256)
        except StorageFault as fault:
            return f"{fault.what}: {fault.where}"
        return "" if hash_of(path) == sha256 else f"the attachment {path} has changed"

    def contents(self) -> Iterator[str]:
        """The hashes of all files that are on this computer."""
        return (path.name for path in sorted(self._folder.glob("??/*")) if _HASH.fullmatch(path.name))

    def remove(self, sha256: str, *, dry: bool = False) -> int:
        """Delete a file of this computer; returns its bytes.

        Parameters
        ----------
        dry : only say how many bytes it has.

        Raises
        ------
        StorageFault : it cannot be deleted.
        """
        path = self.path(sha256)
        try:
            size = path.stat().st_size
            if not dry:
                (self._folder / OUTGOING / sha256).unlink(missing_ok=True)
                take_away(path)
        except OSError as fault:
            what = f"an attachment cannot be deleted: {fault.strerror or fault}"
            raise StorageFault(what, where=str(path), do="close what has it open") from fault
        return size

    def contents_shared(self) -> dict[str, int]:
        """The hashes of all files in the shared store, with their bytes; StorageFault if it cannot be reached."""
        if not self._shared:
            return {}
        return {name: size for name, size in self._shared[0].sizes(FILES).items() if _HASH.fullmatch(name)}

    def remove_shared(self, sha256: str) -> None:
        """Delete a file in the shared store; StorageFault if it cannot be."""
        self._shared[0].remove_file(_name_in_store(sha256))

    def send_waiting(self) -> int:
        """Bring what waits to the shared store; returns how many files it took; StorageFault if it is away."""
        sent = 0
        for mark in sorted((self._folder / OUTGOING).glob("[0-9a-f]*")) if self._shared else ():
            path = self.path(mark.name)
            if path.exists():
                self._shared[0].write_file(_name_in_store(mark.name), path)
                sent += 1
            mark.unlink(missing_ok=True)
        return sent


def _name_in_store(sha256: str) -> str:
    return f"{FILES}/{sha256[:2]}/{sha256}"


def hash_of(path: Path) -> str:
    """The hash of what is in a file; empty if it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""
