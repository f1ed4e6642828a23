"""Fault files: which fault strikes which instrument, and when."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from wavewright.errors import FileFault, Misuse
from wavewright.simulation.definition import Section, read_definition
from wavewright.simulation.disturbances.effects import Delivery, Effect, OldAnswer, fault_kinds
from wavewright.simulation.disturbances.occasion import Occasion, read_occasion

if TYPE_CHECKING:
    from wavewright.simulation.scpi.device import ScpiDevice


@dataclass(frozen=True, slots=True)
class OrderedFault:
    """One fault of the file."""

    occasion: Occasion
    effect: Effect


class FaultPlan:
    """All faults of one instrument."""

    def __init__(self, faults: Sequence[OrderedFault] = ()) -> None:
        self._faults = tuple(faults)
        self._striking: tuple[Effect, ...] = ()

    def on_message(self, message: bytes, device: ScpiDevice) -> None:
        """A message has come: decide what strikes, and let it strike the instrument."""
        self._striking = tuple(fault.effect for fault in self._faults if fault.occasion.strikes(message))
        for effect in self._striking:
            effect.on_message(device)

    def deliver(self, content: bytes) -> Delivery:
        """An answer to that message is ready: let what strikes strike it."""
        delivery = Delivery(content)
        for effect in self._striking:
            effect.on_answer(delivery)
        for fault in self._faults:
            if isinstance(fault.effect, OldAnswer) and fault.effect not in self._striking:
                fault.effect.last = content
        return delivery


def load_faults(path: Path, *, seed: int) -> dict[str, FaultPlan]:
    """The plans of a fault file by name of the instrument.

    Raises
    ------
    FileFault : with file, line and column of what cannot be used.
    """
    top = read_definition(path)
    if top.text("wavewright-faults") != "1":
        raise FileFault("another grammar version", where=top.place("wavewright-faults"), expected="1")
    top.text("about", "")
    found: dict[str, list[OrderedFault]] = {}
    for name, section in top.sections("faults").items():
        generator = np.random.default_rng([seed, zlib.crc32(name.encode())])
        found.setdefault(section.text("instrument"), []).append(_fault(section, generator))
        section.finish()
    top.finish()
    return {instrument: FaultPlan(faults) for instrument, faults in found.items()}


def _fault(section: Section, generator: np.random.Generator) -> OrderedFault:
    kind, kinds = section.text("fault"), fault_kinds()
    if kind not in kinds:
        raise FileFault(f"fault `{kind}`", where=section.place("fault"), expected=f"one of {', '.join(kinds)}")
    try:
        return OrderedFault(read_occasion(section), kinds[kind](section, generator))
    except (Misuse, ValueError, ArithmeticError) as fault:
        raise FileFault(
            f"fault `{kind}` cannot be made from its values: {fault}",
            where=section.place(),
            expected="values as its kind asks for, such as a whole number after `code`",
        ) from fault
