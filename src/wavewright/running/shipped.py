"""The recipes and the simulated bench that come with the package."""

from __future__ import annotations

from pathlib import Path

import wavewright
from wavewright.durable_files import write_whole
from wavewright.errors import StorageFault

FOLDERS = ("recipes", "sim")
SUFFIXES = (".yaml", ".csv", ".txt")  # what people read; not what a run leaves behind beside it


def shipped(folder: str) -> Path:
    """Where `recipes` or `sim` lie: inside the installed package, or beside the source in a checkout."""
    package = Path(wavewright.__file__).parent
    inside = package / "examples" / folder
    return inside if inside.is_dir() else package.parents[1] / folder


def find_file(path: str | Path) -> Path:
    """The file of that name, or where there is none, the shipped one: `sim/bench.yaml` works in any folder.

    A name that does not exist in either place is returned as it is, for whoever reads it to refuse.
    """
    given = Path(path)
    if given.exists() or given.is_absolute() or not given.parts or given.parts[0] not in FOLDERS:
        return given
    packaged = shipped(given.parts[0]).joinpath(*given.parts[1:])
    return packaged if packaged.is_file() else given


def write_examples(target: Path, *, overwrite: bool = False) -> list[Path]:
    """Copy the shipped folders into `target` and return what was written.

    Raises
    ------
    StorageFault : the folder does not take them, or has one of the files already and `overwrite` is false.
    """
    pairs = [
        (source, target / folder / source.relative_to(shipped(folder)))
        for folder in FOLDERS
        for source in sorted(shipped(folder).rglob("*"))
        if source.suffix in SUFFIXES
    ]
    if not overwrite and (there := [str(copy) for _, copy in pairs if copy.exists()]):
        raise StorageFault(f"already there: {', '.join(there)}", do="name another folder, or give --force")
    try:
        for source, copy in pairs:
            copy.parent.mkdir(parents=True, exist_ok=True)
            write_whole(copy, source.read_bytes())
    except OSError as fault:
        raise StorageFault(f"{fault.strerror}", where=str(fault.filename or target)) from fault
    return [copy for _, copy in pairs]
