"""What is attached to a run: notes, photographs, files, and the pictures of where the probes were to go."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from wavewright.errors import Misuse, StorageFault
from wavewright.recipe.picture_file import PlacePicture, picture_media

LARGEST_FILE = 32 << 20  # bytes
LARGEST_TOGETHER = 128 << 20  # bytes, of one command
LONGEST_NOTE = 10_000  # characters
KEPT = ("at", "by", "text", "name", "size", "sha256", "media", "of")


@dataclass(frozen=True, slots=True)
class Attachment:
    """One note, or one file.

    Parameters
    ----------
    at : when it was attached, ISO 8601, UTC; by : who did, as far as it was said.
    text : of a note; empty for a file.
    name, size, sha256 : of a file; its name without folders, bytes, and the hash of its content.
    media : `image/png` or `image/jpeg` for such a picture that is whole; empty for any other file.
    of : measurement whose `pictures` it is one of; empty where somebody attached it.
    content : bytes of one that is not kept yet; locate : where the file with a hash is, of one that is.
    """

    at: str
    by: str = ""
    text: str = ""
    name: str = ""
    size: int = 0
    sha256: str = ""
    media: str = ""
    of: str = ""
    content: bytes | None = field(default=None, repr=False, compare=False)
    locate: Callable[[str], Path] | None = field(default=None, repr=False, compare=False)

    @property
    def is_note(self) -> bool:
        """Whether it is a text, and no file."""
        return not self.sha256

    @property
    def is_here(self) -> bool:
        """Whether there is a place to read the file from; of a run that came as a line alone there is none."""
        return self.content is not None or self.locate is not None

    def as_json(self) -> dict[str, Any]:
        """What is kept of it beside the file itself."""
        return {name: value for name in KEPT if (value := getattr(self, name))}

    @classmethod
    def from_json(cls, plain: Mapping[str, Any], locate: Callable[[str], Path] | None = None) -> Attachment:
        """The attachment that `as_json` made this of."""
        return cls(**{name: plain[name] for name in KEPT if name in plain}, locate=locate)

    def read(self) -> bytes:
        """The content of a file, as it was attached.

        Raises
        ------
        StorageFault : it is not kept here, or has changed.
        """
        if self.content is not None:
            return self.content
        if self.locate is None:
            raise StorageFault(f"the file of attachment `{self.name}` is not here", expected="the evidence of the run")
        path = self.locate(self.sha256)
        try:
            with path.open("rb") as file:
                content = file.read(self.size + 1)
        except OSError as fault:
            what = f"attachment `{self.name}` cannot be read: {fault.strerror or fault}"
            raise StorageFault(what, where=str(path)) from fault
        if hashlib.sha256(content).hexdigest() != self.sha256:
            raise StorageFault(f"attachment `{self.name}` has changed", where=str(path), expected=self.sha256)
        return content


def note_of(text: str, *, at: datetime, by: str = "") -> Attachment:
    """A note.

    Raises
    ------
    Misuse : it is empty, too long, or has characters that cannot be shown.
    """
    words = text.strip()
    if not words or len(words) > LONGEST_NOTE:
        raise Misuse(f"a note of {len(words)} characters", expected=f"1 to {LONGEST_NOTE}")
    if not all(sign.isprintable() or sign in "\n\t" for sign in words):
        raise Misuse("the note has characters that cannot be shown", expected="printable text")
    return Attachment(at.isoformat(), by, text=words)


def files_of(paths: Iterable[str | Path], *, at: datetime, by: str = "") -> tuple[Attachment, ...]:
    """Files as they are at this moment, read whole.

    Raises
    ------
    Misuse : one cannot be read, is empty or too large, or all together are.
    """
    found = []
    together = 0
    for path in map(Path, paths):
        try:
            with path.open("rb") as file:
                content = file.read(LARGEST_FILE + 1)
        except OSError as fault:
            what = f"{path} cannot be attached: {fault.strerror or fault}"
            raise Misuse(what, expected="a file that can be read") from fault
        together += len(content)
        if not content or len(content) > LARGEST_FILE or together > LARGEST_TOGETHER:
            size = "is empty" if not content else "is too large"
            raise Misuse(
                f"{path} {size}",
                expected=f"1 byte to {LARGEST_FILE >> 20} MiB a file, {LARGEST_TOGETHER >> 20} MiB together",
            )
        if not path.name.isprintable():
            raise Misuse(f"{path.name!a} has characters that cannot be shown", expected="a printable file name")
        sha256 = hashlib.sha256(content).hexdigest()
        found.append(
            Attachment(
                at.isoformat(), by, name=path.name, size=len(content), sha256=sha256, media=picture_media(content),
                content=content,
            )
        )  # fmt: skip
    return tuple(found)


def pictures_of_places(pictures: Mapping[str, Iterable[PlacePicture]], *, at: datetime) -> tuple[Attachment, ...]:
    """The pictures of a recipe, as they were when it was read."""
    return tuple(
        Attachment(
            at.isoformat(), name=one.name, size=len(one.content), sha256=one.sha256, media=one.media, of=measurement,
            content=one.content,
        )
        for measurement, those in pictures.items()
        for one in those
    )  # fmt: skip
