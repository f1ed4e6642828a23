"""The pictures beside `place:` of the measurement that a page shows, as their files are now.

A page names a picture by the hash of what is in it, never by a path: whatever an address holds, nothing is looked for
on the disk because of it. Files are read when the recipe is taken and when one of them changes, by the rules of
`read_picture`: a PNG or JPEG in the folder of the recipe, neither too large nor damaged.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from pathlib import Path

from wavewright.errors import FileFault
from wavewright.pages.protocol import ShownPicture
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.picture_file import PlacePicture
from wavewright.recipe.place_pictures import read_picture

PREFIX = "place-"  # of the last part of an address
Mark = tuple[int, int, int] | None


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What a recipe names, and what is there."""

    folder: Path = Path()
    names: tuple[str, ...] = ()
    marks: tuple[Mark, ...] = ()
    shown: tuple[ShownPicture, ...] = ()
    kept: dict[str, PlacePicture] = field(default_factory=dict)


class ShownPictures:
    """The pictures of one measurement; every method may be called from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._now = _Wanted()

    @property
    def shown(self) -> tuple[ShownPicture, ...]:
        """What the page is told of them, in the order of the recipe."""
        return self._now.shown

    def show(self, recipe: str, measurement: Measurement | None) -> None:
        """Read the pictures of a measurement; None for no picture.

        Parameters
        ----------
        recipe : path of its file.
        """
        names = () if measurement is None else tuple(str(name) for name in measurement.pictures)
        with self._lock:
            self._now = _read(Path(recipe).resolve().parent, names)

    def look(self) -> bool:
        """Read them again where a file has changed; whether one has."""
        with self._lock:
            now = self._now
            if now.marks == _marks(now.folder, now.names):
                return False
            self._now = _read(now.folder, now.names)
            return self._now.shown != now.shown

    def find(self, name: str) -> PlacePicture | None:
        """The picture that the last part of an address names, if it is shown now."""
        return self._now.kept.get(name)


def _read(folder: Path, names: tuple[str, ...]) -> _Wanted:
    marks = _marks(folder, names)  # before the files: a change while they are read is seen at the next look
    shown: list[ShownPicture] = []
    kept: dict[str, PlacePicture] = {}
    for name in names:
        try:
            picture = read_picture(name, folder)
        except FileFault as fault:
            shown.append(ShownPicture(name, fault=fault.what))
            continue
        address = f"{PREFIX}{picture.sha256}"
        kept[address] = picture
        shown.append(ShownPicture(name, address, *picture.size))
    return _Wanted(folder, names, marks, tuple(shown), kept)


def _marks(folder: Path, names: tuple[str, ...]) -> tuple[Mark, ...]:
    return tuple(_mark(folder / name) for name in names)


def _mark(path: Path) -> Mark:
    """What changes with every writing, and where a link leads elsewhere; None where there is no such file."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino
