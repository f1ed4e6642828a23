"""Fault files: which fault strikes which instrument, and when."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field

from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.alternatives import ChosenBy
from wavewright.grammar.located_yaml import parse_tree, place_of, read_text
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import validated
from wavewright.grammar.word_fields import Line, VersionOne
from wavewright.simulation.disturbances.effects import fault_kinds
from wavewright.simulation.disturbances.occasion import DisturbanceEntry, Occasion
from wavewright.simulation.scpi.disturbance import Disturbance, Disturbances, Disturbed, OutgoingAnswer


@dataclass(frozen=True, slots=True)
class OrderedDisturbance:
    """One fault of the file."""

    occasion: Occasion
    effect: Disturbance


class DisturbancePlan(Disturbances):
    """All faults of one instrument."""

    def __init__(self, faults: Sequence[OrderedDisturbance] = (), *, place: Place | str = "") -> None:
        self._faults = tuple(faults)
        self.place = place  # where the file first names the instrument
        self._striking: tuple[Disturbance, ...] = ()

    def on_message(self, message: bytes, device: Disturbed) -> None:
        """A message has come: decide what strikes, and let it strike the instrument."""
        self._striking = tuple(fault.effect for fault in self._faults if fault.occasion.strikes(message))
        for effect in self._striking:
            effect.on_message(device)

    def deliver(self, content: bytes) -> OutgoingAnswer:
        """An answer to that message is ready: let what strikes strike it."""
        answer = OutgoingAnswer(content)
        for effect in self._striking:
            effect.on_answer(answer)
        for fault in self._faults:
            if fault.effect not in self._striking:
                fault.effect.spared(content)
        return answer


def _entries() -> Mapping[str, type[DisturbanceEntry]]:
    return {name: make.entry for name, make in fault_kinds().items()}


class FaultsFile(GrammarModel):
    """Faults that are ordered: what goes wrong on a simulated bench, when, and how often."""

    version: VersionOne = Field(alias="wavewright-faults", description="version of the grammar: 1")
    about: Line | None = Field(
        default=None, description="what goes wrong, in a line", examples=["every tenth answer comes three seconds late"]
    )
    faults: dict[str, Annotated[DisturbanceEntry, ChosenBy("fault", _entries, "fault")]] = Field(
        default_factory=dict,
        description="the faults by name",
        examples=[{"late": {"instrument": "digitizer", "fault": "delay", "every": 10, "by": "3 s"}}],
    )


def load_faults(path: Path, *, seed: int) -> dict[str, DisturbancePlan]:
    """The plans of a fault file by name of the instrument.

    Raises
    ------
    FileFault : all that cannot be used, with file, line and column.
    """
    tree = parse_tree(read_text(path), str(path))
    file = validated(tree, FaultsFile)
    found: dict[str, list[OrderedDisturbance]] = {}
    places: dict[str, Place | str] = {}
    faults: list[FileFault] = []
    for name, entry in file.faults.items():
        generator = np.random.default_rng([seed, zlib.crc32(name.encode())])
        places.setdefault(str(entry.instrument), place_of(entry.instrument) or str(path))
        try:
            ordered = _ordered(entry, generator, where=tree.mapping_at("faults").mapping_at(name).place)
        except FileFault as fault:
            faults.append(fault)
        else:
            found.setdefault(str(entry.instrument), []).append(ordered)
    if faults:
        raise FileFault.joined(faults)
    return {instrument: DisturbancePlan(ordered, place=places[instrument]) for instrument, ordered in found.items()}


def _ordered(entry: DisturbanceEntry, generator: np.random.Generator, *, where: Place) -> OrderedDisturbance:
    try:
        return OrderedDisturbance(entry.occasion(), fault_kinds()[entry.fault](entry, generator))
    except (Misuse, ValueError, ArithmeticError) as fault:
        raise FileFault(
            f"fault `{entry.fault}` cannot be made from its values: {fault}",
            where=where,
            expected="values as its kind asks for",
        ) from fault
