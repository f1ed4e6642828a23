"""The simulated bench as one thing: clock, surroundings, board and probes, from which every instrument lives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wavewright.errors import Misuse
from wavewright.simulation.circuit.board import Board, load_board
from wavewright.simulation.circuit.surroundings import Surroundings
from wavewright.simulation.clock import Clock
from wavewright.simulation.probing import Probing, read_probe

DEFAULT_SEED = 204


@dataclass(frozen=True, slots=True)
class Bench:
    """What all simulated instruments share."""

    clock: Clock
    surroundings: Surroundings
    board: Board
    probing: Probing
    seed: int


def build_bench(settings: Mapping[str, Any], *, folder: Path) -> Bench:
    """A bench switched on a moment ago.

    Parameters
    ----------
    settings : `board` (a path, against `folder` when relative), `seed`, and `probes` by number of the input.
    """
    if "board" not in settings:
        raise Misuse(
            "a simulated bench without a board", expected="`simulation: {board: vc204.yaml}` in the bench file"
        )
    seed = int(settings.get("seed", DEFAULT_SEED))
    surroundings = Surroundings()
    board = load_board(folder / str(settings["board"]), surroundings, seed=seed)
    given = settings.get("probes") or {}
    probes = {int(number): read_probe(_mapping(probe)) for number, probe in given.items()}
    return Bench(Clock(now=1.0), surroundings, board, Probing(board, probes), seed)


def _mapping(probe: Any) -> Mapping[str, Any]:
    if isinstance(probe, Mapping):
        return probe
    return {name: getattr(probe, name) for name in ("attenuation", "capacitance", "bandwidth") if hasattr(probe, name)}
