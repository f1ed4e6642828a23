"""The kinds of files that people write: how each is recognised, checked without running anything, and described."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from wavewright.errors import BenchFault, FileFault, Place

if TYPE_CHECKING:
    from wavewright.running.fitness.finding import FitnessFinding
    from wavewright.running.stored_waveforms import ReadStored


class KindOfFile(StrEnum):
    """The kinds of files that people write."""

    RECIPE = "recipe"
    BENCH = "bench"
    PROFILE = "profile"
    CORRECTIONS = "corrections"
    BOARD = "board"
    INSTRUMENTS = "instruments"
    FAULTS = "faults"


@dataclass(frozen=True, slots=True)
class FileKind:
    """One kind of file.

    Parameters
    ----------
    title : what a file of this kind is called.
    key : that a file of this kind has at its top; `is_mapping`: with more keys below it, not a version number.
    check : raises FileFault with all that is wrong with a file; given a reader of stored waveforms, checks these too.
    schema : makes its JSON Schema.
    """

    title: str
    key: str
    check: Callable[[Path, ReadStored | None], None]
    schema: Callable[[], dict[str, Any]]
    is_mapping: bool = False


def check_file(path: Path, *, read_stored: ReadStored | None = None) -> KindOfFile:
    """Read and check a file of any kind; returns which kind it is.

    Parameters
    ----------
    read_stored : reads one channel of a file; with it, the waveforms that a recipe's source plays are checked too.

    Raises
    ------
    FileFault : all that is wrong with it, or it is none of them.
    """
    from wavewright.grammar.located_yaml import read_text

    name = kind_of(read_text(path), str(path))
    if name is None:
        keys = dict.fromkeys(f"`{kind.key}: 1`" for kind in FILE_KINDS.values() if not kind.is_mapping)
        raise FileFault(
            f"this is none of: {', '.join(kind.title for kind in FILE_KINDS.values())}",
            where=Place(str(path), 1, 1),
            expected=f"one of the keys {', '.join(keys)}, or `wavewright:` with simulated instruments below it",
        )
    FILE_KINDS[name].check(path, read_stored)
    return name


@dataclass(frozen=True, slots=True)
class CheckedTogether:
    """What recipes and a bench say about each other, by name of the recipe: what is wrong, and what was found about
    limits and set-up."""

    faults: Mapping[str, list[FileFault]] = field(default_factory=dict)
    fitness: Mapping[str, tuple[FitnessFinding, ...]] = field(default_factory=dict)


def check_together(files: Sequence[Path], *, read_stored: ReadStored | None = None) -> CheckedTogether:
    """What the one bench among some sound files lacks or forbids that the recipes among them need, and how fit it is.

    Each fault is at the line of the recipe that needs it. Of several benches none is the one that is meant, and
    nothing is held against them.
    """
    if len(files) < 2:  # nothing to hold it against: one file is not read a second time
        return CheckedTogether()
    from wavewright.grammar.located_yaml import read_text

    kinds = {path: kind_of(read_text(path), str(path)) for path in files}
    recipes = [path for path, kind in kinds.items() if kind is KindOfFile.RECIPE]
    benches = [path for path, kind in kinds.items() if kind is KindOfFile.BENCH]
    if not recipes or len(benches) != 1:
        return CheckedTogether()
    from wavewright.instruments.bench_file import load_bench
    from wavewright.recipe.load import load_recipe
    from wavewright.running.fitness.examination import fitness_of, require_fit
    from wavewright.running.selection import select
    from wavewright.running.stored_waveforms import NOTHING_STORED, read_played

    (bench,), found = benches, {}
    there, fitness = load_bench(bench), {}
    for path in recipes:
        recipe = load_recipe(path)
        played = read_played(recipe, read_stored) if read_stored else NOTHING_STORED
        try:
            chosen = select(recipe, there, played=played)
            fitness[str(path)] = fitness_of(recipe, there, chosen)
            require_fit(fitness[str(path)], recipe)
        except BenchFault as fault:
            found[str(path)] = [_on_bench(one, bench, path) for one in fault.faults or (fault,)]
    return CheckedTogether(found, fitness)


def _on_bench(fault: BenchFault, bench: Path, recipe: Path) -> FileFault:
    """What a recipe needs and a bench lacks, at its place in the recipe."""
    where = fault.where if isinstance(fault.where, Place) else Place(str(recipe))
    return FileFault(f"on {bench}: {fault.what}", where=where, expected=fault.expected, do=fault.do)


def kind_of(text: str, name: str) -> KindOfFile | None:
    """The kind of a file with that text; None for one that is none of ours.

    Raises
    ------
    FileFault : it is not YAML.
    """
    from wavewright.grammar.located_yaml import YamlMapping, parse_tree

    tree = parse_tree(text, name)
    for kind, entry in FILE_KINDS.items():
        if entry.key in tree and entry.is_mapping == isinstance(tree[entry.key], YamlMapping):
            return kind
    return None


# Each kind alone loads what it needs: the others would double the time it takes. The command line reads this file even
# to show its help, for the names of the kinds: that needs no YAML.


def _check_recipe(path: Path, read_stored: ReadStored | None) -> None:
    from wavewright.recipe.load import load_recipe

    recipe = load_recipe(path)
    if read_stored is not None:
        from wavewright.running.stored_waveforms import read_played

        read_played(recipe, read_stored)


def _check_bench(path: Path, _: ReadStored | None) -> None:
    from wavewright.instruments.bench_file import load_bench

    bench = load_bench(path)
    file, at, library = bench.grammar.library.rpartition("@")
    if file and at and library == "sim":  # `@sim` alone is PyVISA-sim with instruments of its own
        from wavewright.simulation.files import check_simulation

        check_simulation(bench)


def _check_profile(path: Path, _: ReadStored | None) -> None:
    from wavewright.instruments.profile import load_profile

    load_profile(str(path))


def _check_corrections(path: Path, _: ReadStored | None) -> None:
    from wavewright.instruments.corrections_file import load_corrections

    load_corrections(path)


def _check_board(path: Path, _: ReadStored | None) -> None:
    from wavewright.simulation.files import check_board

    check_board(path)


def _check_instruments(path: Path, _: ReadStored | None) -> None:
    from wavewright.simulation.files import check_instruments

    check_instruments(path)


def _check_faults(path: Path, _: ReadStored | None) -> None:
    from wavewright.simulation.files import check_faults

    check_faults(path)


def _recipe_schema() -> dict[str, Any]:
    from wavewright.recipe.schema import recipe_schema

    return recipe_schema()


def _bench_schema() -> dict[str, Any]:
    from wavewright.grammar.schema import model_schema
    from wavewright.instruments.bench_file import BenchGrammar

    return model_schema(BenchGrammar)


def _profile_schema() -> dict[str, Any]:
    from wavewright.grammar.schema import model_schema
    from wavewright.instruments.profile_grammar import ProfileFile

    return model_schema(ProfileFile)


def _corrections_schema() -> dict[str, Any]:
    from wavewright.grammar.schema import model_schema
    from wavewright.instruments.corrections_file import CorrectionsFile

    return model_schema(CorrectionsFile)


def _board_schema() -> dict[str, Any]:
    from wavewright.grammar.schema import model_schema
    from wavewright.simulation.circuit.board import BoardFile

    return model_schema(BoardFile)


def _instruments_schema() -> dict[str, Any]:
    from wavewright.grammar.schema import model_schema
    from wavewright.simulation.instrument_file import InstrumentsFile

    return model_schema(InstrumentsFile)


def _faults_schema() -> dict[str, Any]:
    from wavewright.grammar.schema import model_schema
    from wavewright.simulation.disturbances.plan import FaultsFile

    return model_schema(FaultsFile)


FILE_KINDS: Mapping[KindOfFile, FileKind] = MappingProxyType(
    {
        KindOfFile.RECIPE: FileKind("recipe", "wavewright", _check_recipe, _recipe_schema),
        KindOfFile.BENCH: FileKind("bench", "wavewright-bench", _check_bench, _bench_schema),
        KindOfFile.PROFILE: FileKind("profile", "wavewright-profile", _check_profile, _profile_schema),
        KindOfFile.CORRECTIONS: FileKind(
            "file of corrections", "wavewright-corrections", _check_corrections, _corrections_schema
        ),
        KindOfFile.BOARD: FileKind("board", "wavewright-board", _check_board, _board_schema),
        KindOfFile.INSTRUMENTS: FileKind(
            "instrument file", "wavewright", _check_instruments, _instruments_schema, is_mapping=True
        ),
        KindOfFile.FAULTS: FileKind("fault file", "wavewright-faults", _check_faults, _faults_schema),
    }
)
