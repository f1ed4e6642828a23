"""The simulated bench as one thing: clock, surroundings, board and probes, from which every instrument lives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from wavewright.errors import Misuse
from wavewright.quantities import read_quantity
from wavewright.simulation.circuit.board import Board, load_board
from wavewright.simulation.circuit.surroundings import Surroundings
from wavewright.simulation.clock import Clock
from wavewright.simulation.probing import DIVIDER, STRAIGHT, Probing, read_probe

DEFAULT_SEED = 204
_SWITCHED_ON = 1.0  # s
_LONGEST_STANDING = 100.0  # s that the bench may have been on already when a run comes


@dataclass(frozen=True, slots=True)
class SimulatedBench:
    """What all simulated instruments share.

    Parameters
    ----------
    seed : fixes what the board and the instruments are built like: values within their tolerances, errors, faults.
    draw : fixes what fluctuates: noise, sampling phase, how long the bench has been on (so when a rare thing happens).
    """

    clock: Clock
    surroundings: Surroundings
    board: Board
    probing: Probing
    seed: int
    draw: int


PROBED = ("attenuation", "capacitance", "bandwidth", "ground_lead")


def build_bench(settings: Mapping[str, Any], *, folder: Path) -> SimulatedBench:
    """A bench that was switched on before: just one second ago, or with a draw of its own within the last 100 s.

    Parameters
    ----------
    settings : `board` (a path, against `folder` when relative), `seed`, `draw` (the same number as `seed` where it is
        left out, so that the seed alone decides everything), and `probes` by number of the input; where they are
        told, an input without one has a straight cable; `trimming` by number of the input: how far the adjustment of
        its probe is off, such as `-8 %`; `ground_leads` likewise: how long the ground lead of its probe is, whatever
        the bench file states of it.
    """
    if "board" not in settings:
        raise Misuse(
            "a simulated bench without a board", expected="`simulation: {board: vc204.yaml}` in the bench file"
        )
    seed = _whole(settings, "seed", DEFAULT_SEED)
    draw = _whole(settings, "draw", seed)
    surroundings = Surroundings()
    board = load_board(folder / str(settings["board"]), surroundings, seed=seed)
    given = settings.get("probes") or {}
    # a bench file without a probe on an input has a cable there: that is what a run takes it for
    usual = STRAIGHT if "probes" in settings else DIVIDER
    probes = {int(number): read_probe(_mapping(probe)) for number, probe in given.items()}
    for number, trim in _by_input(settings, "trimming", "-8 %", unit="1", least=-0.5, most=0.5).items():
        probes[number] = replace(probes.get(number, usual), trim=trim)
    for number, length in _by_input(settings, "ground_leads", "150 mm", unit="m", least=0.0, most=2.0).items():
        probes[number] = replace(probes.get(number, usual), ground_lead=length)
    standing = 0.0 if draw == seed else _LONGEST_STANDING * float(np.random.default_rng([draw]).random())
    return SimulatedBench(
        Clock(now=_SWITCHED_ON + standing), surroundings, board, Probing(board, probes, usual=usual), seed, draw
    )


def _whole(settings: Mapping[str, Any], key: str, default: int) -> int:
    value = settings.get(key, default)
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise Misuse(f"`{key}: {value}` of the simulation", expected="a whole number, at least 0")
    return value


def _by_input(
    settings: Mapping[str, Any], key: str, example: str, *, unit: str, least: float, most: float
) -> dict[int, float]:
    given = settings.get(key) or {}
    try:
        return {
            int(number): read_quantity(str(text), unit=unit, least=least, most=most).value
            for number, text in given.items()
        }
    except (ValueError, AttributeError):
        raise Misuse(f"`{key}: {given}` of the simulation", expected=f"by input, such as `{{1: {example}}}`") from None


def _mapping(probe: Any) -> Mapping[str, Any]:
    if isinstance(probe, Mapping):
        return probe
    return {name: getattr(probe, name) for name in PROBED if hasattr(probe, name)}
