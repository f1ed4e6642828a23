"""Captures where everybody finds them: a folder or an object store that all stations and offices reach.

    STORE/aa/aabbcc….h5      a file of codes, named by the SHA-256 of the codes in it, as in a station's own store

A file is written once and never changed: it appears under its name only when all of it is there. Whoever reads it
computes its hash again.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.shown_address import shown_address

if TYPE_CHECKING:
    from fsspec import AbstractFileSystem

FORMS = "a folder, `file:///folder`, or the URL of an object store such as `s3://bucket/captures`"
VARIABLE = "WAVEWRIGHT_CAPTURES"
CONNECTING, SILENCE, TRIES = 5, 30, 2  # s, s, and how often a store is asked before it is taken for away
_SCHEME = re.compile(r"([A-Za-z][\w+.-]+)://")
_CONTENT = re.compile(r"[0-9a-f]{64}")


class SharedStore:
    """A place for files of codes that several computers share.

    Parameters
    ----------
    where : a folder, or a URL that fsspec knows; the keys of an object store come from where its own library looks for
        them, AWS_ACCESS_KEY_ID and AWS_ENDPOINT_URL for `s3://`, say.

    Raises
    ------
    Misuse : a URL that is none, or one whose library is not installed, or one with a password in it.

    Attributes
    ----------
    where : the URL, as a logbook remembers it.
    """

    def __init__(self, where: str) -> None:
        scheme = _SCHEME.match(where)
        if scheme is None:
            where = Path(where).expanduser().absolute().as_uri()
        elif "@" in where.partition("://")[2].partition("/")[0]:
            raise Misuse(
                f"captures `{shown_address(where)}`: a user or password in the URL would be kept in the logbook",
                expected=FORMS,
                do="give the keys to the store's own library, AWS_ACCESS_KEY_ID for `s3://`, say",
            )
        self.where = where.rstrip("/")
        self._files, self._root = _opened(self.where)

    def path(self, content: str) -> str:
        """Where the codes of that hash lie, or would."""
        return f"{self._root}/{content[:2]}/{content}.h5"

    def has(self, content: str) -> bool:
        """Whether it has them.

        Raises
        ------
        StorageFault : the store cannot be reached.
        """
        with self._reached():
            return bool(self._files.exists(self.path(content)))

    def put(self, content: str, file: Path) -> None:
        """Bring a file there; an existing one stays as it is.

        Raises
        ------
        StorageFault : the store cannot be reached, or does not take it.
        """
        self._put(self.path(content), file)

    def write_file(self, name: str, file: Path) -> None:
        """Bring a file there under a name below the store; an existing one stays. StorageFault as `put`."""
        self._put(f"{self._root}/{name}", file)

    def read_file(self, name: str) -> bytes | None:
        """The content of the file of that name; None where there is none. StorageFault if it cannot be reached."""
        with self._reached():
            try:
                return bytes(self._files.cat_file(f"{self._root}/{name}"))
            except FileNotFoundError:
                return None

    def sizes(self, folder: str) -> dict[str, int]:
        """The bytes of every file below a folder of the store, by its last name; StorageFault if it is away."""
        with self._reached():
            self._files.invalidate_cache()
            try:
                found = self._files.find(f"{self._root}/{folder}", detail=True)
            except FileNotFoundError:
                return {}
            return {str(path).rpartition("/")[2]: int(about.get("size") or 0) for path, about in found.items()}

    def remove_file(self, name: str) -> None:
        """Delete the file of a name below the store. StorageFault if it cannot be reached, or does not allow it."""
        with self._reached():
            self._files.rm_file(f"{self._root}/{name}")

    def _put(self, target: str, file: Path) -> None:
        with self._reached():
            if self._files.exists(target):
                return
            self._files.makedirs(target.rpartition("/")[0], exist_ok=True)
            if not self._is_folder:  # an object is there when all of it has arrived
                self._files.put_file(str(file), target)
                return
            part = f"{target.rpartition('/')[0]}/.{os.urandom(12).hex()}.part"
            try:
                self._files.put_file(str(file), part)
                Path(part).replace(target)
            finally:
                with suppress(OSError):
                    Path(part).unlink(missing_ok=True)

    def get(self, content: str, file: Path) -> bool:
        """Fetch codes into a file; False where the store does not have them.

        Raises
        ------
        StorageFault : the store cannot be reached.
        """
        with self._reached():
            try:
                self._files.get_file(self.path(content), str(file))
            except FileNotFoundError:
                return False
        return True

    def contents(self) -> Iterator[str]:
        """The hashes of all files that are there.

        Raises
        ------
        StorageFault : the store cannot be reached.
        """
        with self._reached():
            self._files.invalidate_cache()
            try:
                found = self._files.find(self._root)
            except FileNotFoundError:
                found = []
        for path in sorted(found):
            name = str(path).rpartition("/")[2]
            if name.endswith(".h5") and _CONTENT.fullmatch(name.removesuffix(".h5")):
                yield name.removesuffix(".h5")

    def size(self, content: str) -> int:
        """Bytes of a file."""
        with self._reached():
            return int(self._files.size(self.path(content)) or 0)

    def remove(self, content: str) -> None:
        """Delete a file.

        Raises
        ------
        StorageFault : the store cannot be reached, or does not allow it.
        """
        with self._reached():
            self._files.rm_file(self.path(content))

    @property
    def _is_folder(self) -> bool:
        return self.where.startswith("file://")

    @contextmanager
    def _reached(self) -> Iterator[None]:
        """Turn whatever a store's library raises into our tree: each has errors of its own, and they share no root."""
        try:
            yield
        except StorageFault:
            raise
        except Exception as fault:
            said = " ".join(str(fault).split()) or type(fault).__name__
            raise StorageFault(
                f"the store of captures cannot be used: {said}",
                where=self.where,
                do="check the network and the keys, or name another store with --captures",
            ) from fault


def _opened(where: str) -> tuple[AbstractFileSystem, str]:
    import fsspec

    scheme = where.partition("://")[0].lower()
    options: dict[str, Any] = {}
    if scheme in ("s3", "s3a"):
        limits = {"connect_timeout": CONNECTING, "read_timeout": SILENCE, "retries": {"max_attempts": TRIES}}
        options = {"config_kwargs": limits, "use_listings_cache": False, "skip_instance_cache": True}
    try:
        files, root = fsspec.url_to_fs(where, **options)
    except ImportError as fault:
        extra = "pip install 'wavewright[s3]'" if scheme in ("s3", "s3a") else f"install the library: {fault}"
        raise Misuse(
            f"captures `{where}`: what speaks `{scheme}://` is not installed", expected=FORMS, do=extra
        ) from fault
    except ValueError as fault:
        raise Misuse(f"captures `{where}`: {fault}", expected=FORMS) from fault
    return files, str(root).rstrip("/")
