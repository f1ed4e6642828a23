"""The files of a simulated bench, checked as they would be read: its board, its instruments, the faults it orders."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import parse_tree
from wavewright.grammar.model_reading import plain
from wavewright.instruments.bench_file import BenchFile
from wavewright.simulation.bench import DEFAULT_SEED, Bench, build_bench
from wavewright.simulation.circuit.board import load_board
from wavewright.simulation.circuit.surroundings import Surroundings
from wavewright.simulation.disturbances.plan import load_faults
from wavewright.simulation.instrument_file import load_instruments, read_entries
from wavewright.simulation.scpi.device import ScpiDevice

SETTINGS = ("board", "seed", "draw", "faults", "probes")


def equipment(instruments: Path, settings: Mapping[str, Any]) -> tuple[Bench, dict[str, ScpiDevice]]:
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

    What hangs on the board that they look at, such as a node that a meter reads, shows in a bench file.

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

    named = {key: plain(value) for key, value in bench.grammar.simulation.items()}
    instruments = bench.folder / bench.grammar.library.rpartition("@")[0]
    for key, check in (("board", check_board), ("faults", check_faults)):
        if isinstance(value := named.get(key), str):
            tried(partial(check, bench.folder / value))
    tried(partial(check_instruments, instruments))
    if not faults:
        tried(partial(_made, bench, instruments))
    if faults:
        raise FileFault.joined(faults)


def _made(bench: BenchFile, instruments: Path) -> None:
    named = {key: plain(value) for key, value in bench.grammar.simulation.items()}
    paths = {key: str(bench.folder / str(named[key])) for key in ("board", "faults") if key in named}
    try:
        equipment(instruments, bench.simulation_settings() | paths)
    except Misuse as fault:
        where = parse_tree(bench.text, bench.path).key_place("simulation")
        raise FileFault(fault.what, where=where, expected=fault.expected, do=fault.do) from fault
