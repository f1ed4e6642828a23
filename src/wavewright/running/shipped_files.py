"""The recipes and the simulated bench that come with the package, and which bench a run takes where none is named."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

FOLDERS = ("recipes", "sim")
SUFFIXES = (".yaml", ".csv", ".txt")  # what people read; not what a run leaves behind beside it
SHIPPED_BENCH = "sim/bench.yaml"
USUAL_NAME = "bench.yaml"
VARIABLE = "WAVEWRIGHT_BENCH"


def shipped(folder: str) -> Path:
    """Where `recipes` or `sim` lie: inside the installed package, or beside the source in a checkout."""
    package = Path(__file__).parents[1]
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


def example_files(target: Path) -> list[tuple[Path, Path]]:
    """Every shipped file that people read, and where a copy of it belongs in a folder."""
    return [
        (source, target / folder / source.relative_to(shipped(folder)))
        for folder in FOLDERS
        for source in sorted(shipped(folder).rglob("*"))
        if source.suffix in SUFFIXES
    ]


@dataclass(frozen=True, slots=True)
class UsualBench:
    """A bench file that nobody named, and a sentence that says which it is and why."""

    path: Path
    why: str


def usual_bench(recipe: str | Path | None = None) -> UsualBench:
    """The file `bench.yaml` beside the recipe or in this folder, that of WAVEWRIGHT_BENCH, or the simulated bench.

    The first of these that there is. What WAVEWRIGHT_BENCH names is taken whether it is there or not, so that a
    misspelt name is an error and not a simulated pass.
    """
    beside = None if recipe is None else Path(recipe).parent / USUAL_NAME
    if beside is not None and beside.is_file():
        return UsualBench(beside, f"no bench was named: taking `{beside}`, beside the recipe")
    here = Path(USUAL_NAME)
    if here.is_file():
        return UsualBench(here, f"no bench was named: taking `{here}` of this folder")
    if named := os.environ.get(VARIABLE, ""):
        return UsualBench(find_file(named), f"no bench was named: taking `{named}`, from {VARIABLE}")
    shipped = find_file(SHIPPED_BENCH)
    return UsualBench(
        shipped, f"no bench was named: taking the simulated bench, {SHIPPED_BENCH}; --bench names another"
    )


def named_or_usual(bench: str | Path | None, recipe: str | Path | None = None) -> UsualBench:
    """The bench that was named, with nothing to say about it, or the usual one."""
    return usual_bench(recipe) if bench is None else UsualBench(find_file(bench), "")
