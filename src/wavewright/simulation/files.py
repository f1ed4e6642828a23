"""The files of a simulated bench, checked as they would be read: its board, its instruments, the faults it orders."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import parse_tree
from wavewright.grammar.model_reading import plain
from wavewright.instruments.bench_file import BenchFile
from wavewright.simulation.bench import DEFAULT_SEED, SimulatedBench, build_bench
from wavewright.simulation.circuit.board import load_board
from wavewright.simulation.circuit.surroundings import Surroundings
from wavewright.simulation.disturbances.plan import load_faults
from wavewright.simulation.instrument_file import load_instruments, read_entries
from wavewright.simulation.scpi.device import ScpiDevice

SETTINGS = ("board", "seed", "draw", "faults", "probes", "trimming", "ground_leads")


def equipment(instruments: Path, settings: Mapping[str, Any]) -> tuple[SimulatedBench, dict[str, ScpiDevice]]:
    """A simulated bench and its instruments by canonical resource name, in the state after power-on.

    Parameters
    ----------
    instruments : the instrument file.
    settings : what `simulation:` in a bench file says, see `open_library`.

    Raises
    ------
    FileFault : the instrument file, the board file or the fault file cannot be used.
    Misuse : a setting that there is none of, or no board.
    """
    if unknown := sorted(set(settings) - set(SETTINGS)):
        raise Misuse(f"`simulation:` with the key `{unknown[0]}`", expected=f"one of {', '.join(SETTINGS)}")
    bench = build_bench(settings, folder=Path())
    faults = load_faults(Path(str(settings["faults"])), seed=bench.seed) if settings.get("faults") else {}
    return bench, load_instruments(instruments, bench, faults)


def check_board(path: Path) -> None:
    """Read a board file and make the board of it.

    Raises
    ------
    FileFault : all that is wrong with it.
    """
    load_board(path, Surroundings(), seed=DEFAULT_SEED)


def check_instruments(path: Path) -> None:
    """Read a file of simulated instruments, and the files that it takes instruments from.

    What is connected to the board that they look at, such as a node that a meter reads, shows in a bench file.

    Raises
    ------
    FileFault : all that is wrong with it.
    """
    read_entries(path)


def check_faults(path: Path) -> None:
    """Read a fault file.

    Raises
    ------
    FileFault : all that is wrong with it.
    """
    load_faults(path, seed=DEFAULT_SEED)


def check_simulation(bench: BenchFile) -> None:
    """Read the files that the bench file of a simulated bench names, and make the bench of them.

    Raises
    ------
    FileFault : all that is wrong with them.
    """
    faults: list[FileFault] = []

    def tried(read: Callable[[], object]) -> None:
        try:
            read()
        except FileFault as fault:
            faults.extend(fault.faults or (fault,))

    for key, name, check in _named_files(bench):
        if (bench.folder / name).is_file():
            tried(partial(check, bench.folder / name))
        else:
            faults.append(_absent(bench, key, name))
    if not faults:
        tried(partial(_made, bench))
    if faults:
        raise FileFault.joined(faults)


def _named_files(bench: BenchFile) -> Iterator[tuple[str, str, Callable[[Path], None]]]:
    """The files that a bench file names: the key that names each, its name, what checks it."""
    yield "library", bench.grammar.library.rpartition("@")[0], check_instruments
    for key, check in (("board", check_board), ("faults", check_faults)):
        if isinstance(name := plain(bench.grammar.simulation.get(key)), str):
            yield key, name, check


def _absent(bench: BenchFile, key: str, name: str) -> FileFault:
    tree = parse_tree(bench.text, bench.path)
    place = (tree if key == "library" else tree.mapping_at("simulation")).value_place(key)
    return FileFault(f"there is no file `{name}`", where=place, expected=f"a path that begins at `{bench.folder}`")


def _made(bench: BenchFile) -> None:
    instruments = bench.folder / bench.grammar.library.rpartition("@")[0]
    named = {key: plain(value) for key, value in bench.grammar.simulation.items()}
    paths = {key: str(bench.folder / str(named[key])) for key in ("board", "faults") if key in named}
    try:
        equipment(instruments, bench.simulation_settings() | paths)
    except Misuse as fault:
        where = parse_tree(bench.text, bench.path).key_place("simulation")
        raise FileFault(fault.what, where=where, expected=fault.expected, do=fault.do) from fault
