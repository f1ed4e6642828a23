"""The files of a pile: named one by one, by folders, or by patterns."""

from __future__ import annotations

import glob
from collections.abc import Iterator, Sequence
from pathlib import Path

from wavewright.errors import Misuse
from wavewright.logbook.formats.catalogue import file_formats


def is_pile(names: Sequence[Path]) -> bool:
    """Whether more than one file may be meant."""
    return len(names) != 1 or names[0].is_dir() or (not names[0].exists() and glob.has_magic(str(names[0])))


def files_of(names: Sequence[Path]) -> list[str]:
    """The whole paths of all files that are meant, each once, in the order of the names and then of the alphabet.

    A folder stands for every file of waveforms in it and in the folders below. A file that is not there is in the list
    all the same: it has a fault, and is not passed over.

    Raises
    ------
    Misuse : a folder or a pattern that no file belongs to.
    """
    return list(dict.fromkeys(str(file.absolute()) for name in names for file in _meant(name)))


def _meant(name: Path) -> Iterator[Path]:
    if name.is_dir():
        suffixes = tuple(file_formats())
        found = sorted(path for path in name.rglob("*") if path.suffix.lower() in suffixes and not path.is_dir())
    elif not name.exists() and glob.has_magic(str(name)):
        matching = glob.iglob(str(name), recursive=True)  # noqa: PTH207  a whole path, with folders as patterns too
        found = sorted(Path(path) for path in matching if not Path(path).is_dir())
    else:
        found = [name]
    if not found:
        raise Misuse(f"`{name}`: there is no file of waveforms", expected="files, folders with files, or a pattern")
    yield from found


def stamp_of(path: str) -> str:
    """Size and time of a file, which change when it does; empty for one that cannot be seen."""
    try:
        found = Path(path).stat()
    except OSError:
        return ""
    return f"{found.st_size} {found.st_mtime_ns}"
