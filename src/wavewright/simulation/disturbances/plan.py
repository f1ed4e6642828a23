"""Fault files: which fault strikes which instrument, and when."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from wavewright.errors import FileFault, Misuse
from wavewright.simulation.definition import Section, read_definition
from wavewright.simulation.disturbances.effects import fault_kinds
from wavewright.simulation.disturbances.occasion import Occasion, read_occasion
from wavewright.simulation.scpi.disturbance import Disturbance, Disturbances, Disturbed, OutgoingAnswer


@dataclass(frozen=True, slots=True)
class OrderedDisturbance:
    """One fault of the file."""

    occasion: Occasion
    effect: Disturbance


class DisturbancePlan(Disturbances):
    """All faults of one instrument."""

    def __init__(self, faults: Sequence[OrderedDisturbance] = ()) -> None:
        self._faults = tuple(faults)
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


def load_faults(path: Path, *, seed: int) -> dict[str, DisturbancePlan]:
    """The plans of a fault file by name of the instrument.

    Raises
    ------
    FileFault : with file, line and column of what cannot be used.
    """
    top = read_definition(path)
    if top.text("wavewright-faults") != "1":
        raise FileFault("another grammar version", where=top.place("wavewright-faults"), expected="1")
    top.text("about", "")
    found: dict[str, list[OrderedDisturbance]] = {}
    for name, section in top.sections("faults").items():
        generator = np.random.default_rng([seed, zlib.crc32(name.encode())])
        found.setdefault(section.text("instrument"), []).append(_fault(section, generator))
        section.finish()
    top.finish()
    return {instrument: DisturbancePlan(faults) for instrument, faults in found.items()}


def _fault(section: Section, generator: np.random.Generator) -> OrderedDisturbance:
    kind, kinds = section.text("fault"), fault_kinds()
    if kind not in kinds:
        raise FileFault(f"fault `{kind}`", where=section.place("fault"), expected=f"one of {', '.join(kinds)}")
    try:
        return OrderedDisturbance(read_occasion(section), kinds[kind](section, generator))
    except (Misuse, ValueError, ArithmeticError) as fault:
        raise FileFault(
            f"fault `{kind}` cannot be made from its values: {fault}",
            where=section.place(),
            expected="values as its kind asks for, such as a whole number after `code`",
        ) from fault
