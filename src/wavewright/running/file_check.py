"""Checking files that people write, without running anything."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from wavewright.errors import BenchFault, FileFault, Place
from wavewright.grammar.located_yaml import parse_tree, read_text

if TYPE_CHECKING:
    from wavewright.running.stored_waveforms import ReadStored


def check_file(path: Path, *, read_stored: ReadStored | None = None) -> str:
    """Read and check a recipe, a bench or a profile; returns which of them it is.

    Parameters
    ----------
    read_stored : reads one channel of a file; with it, the waveforms that a recipe's source plays are checked too.

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
    load(path, read_stored)
    return kind


def check_together(files: Sequence[Path], *, read_stored: ReadStored | None = None) -> dict[str, list[FileFault]]:
    """What the one bench among some sound files lacks or forbids that the recipes among them want, by name of each.

    Of several benches none is the one that is meant, and nothing is held against them.
    """
    kinds = {path: next((key for key in KINDS if key in parse_tree(read_text(path), str(path))), "") for path in files}
    recipes = [path for path, key in kinds.items() if key == "wavewright"]
    benches = [path for path, key in kinds.items() if key == "wavewright-bench"]
    found: dict[str, list[FileFault]] = {}
    if not recipes or len(benches) != 1:
        return found
    from wavewright.instruments.bench_file import load_bench
    from wavewright.recipe.load import load_recipe
    from wavewright.running.selection import select
    from wavewright.running.stored_waveforms import NOTHING_STORED, read_played

    for recipe in recipes:
        for bench in benches:
            try:
                wanted = load_recipe(recipe)
                select(
                    wanted,
                    load_bench(bench),
                    played=read_played(wanted, read_stored) if read_stored else NOTHING_STORED,
                )
            except BenchFault as fault:
                where = fault.where or str(bench)
                what = fault.what if str(where).startswith(str(bench)) else f"on {bench}: {fault.what}"
                one = FileFault(what, where=where, expected=fault.expected, do=fault.do)
                found.setdefault(str(recipe), []).append(one)
    return found


def _recipe(path: Path, read_stored: ReadStored | None) -> None:
    from wavewright.recipe.load import load_recipe  # each kind alone: the others would double the time it takes

    recipe = load_recipe(path)
    if read_stored is not None:
        from wavewright.running.stored_waveforms import read_played

        read_played(recipe, read_stored)


def _bench(path: Path, _: ReadStored | None) -> None:
    from wavewright.instruments.bench_file import load_bench

    load_bench(path)


def _profile(path: Path, _: ReadStored | None) -> None:
    from wavewright.instruments.profile import load_profile

    load_profile(str(path))


# The first key of a file says what it is.
KINDS: Mapping[str, tuple[str, Callable[[Path, ReadStored | None], None]]] = {
    "wavewright": ("recipe", _recipe),
    "wavewright-bench": ("bench", _bench),
    "wavewright-profile": ("profile", _profile),
}
