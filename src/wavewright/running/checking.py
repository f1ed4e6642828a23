"""Checking files that people write, without running anything."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from wavewright.errors import FileFault, Place
from wavewright.recipe.places import parse_tree, read_text


def check_file(path: Path) -> str:
    """Read and check a recipe, a bench or a profile; returns which of them it is.

    Raises
    ------
    FileFault : all that is wrong with it, or it is none of them.
    """
    tree = parse_tree(read_text(path), str(path))
    key = next((key for key in KINDS if key in tree), None)
    if key is None:
        raise FileFault(
            "this is neither a recipe nor a bench nor a profile",
            where=Place(str(path), 1, 1),
            expected=f"one of the keys {', '.join(f'`{name}: 1`' for name in KINDS)}",
        )
    kind, load = KINDS[key]
    load(path)
    return kind


def _recipe(path: Path) -> None:
    from wavewright.recipe.load import load_recipe  # each kind alone: the others would double the time it takes

    load_recipe(path)


def _bench(path: Path) -> None:
    from wavewright.instruments.bench_file import load_bench

    load_bench(path)


def _profile(path: Path) -> None:
    from wavewright.instruments.profile import load_profile

    load_profile(str(path))


# The first key of a file says what it is.
KINDS: Mapping[str, tuple[str, Callable[[Path], None]]] = {
    "wavewright": ("recipe", _recipe),
    "wavewright-bench": ("bench", _bench),
    "wavewright-profile": ("profile", _profile),
}
