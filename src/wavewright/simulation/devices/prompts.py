"""The operator's screen: an instrument with a display. On the simulated bench the operator is quick and obedient."""

from __future__ import annotations

import re
from functools import partial
from typing import ClassVar

from wavewright.errors import Misuse
from wavewright.simulation.devices.roles import InstrumentContext, SimulatedInstrumentEntry, role
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.instrument import SimulatedInstrument

_PROBE_ON = re.compile(r"\bprobe\s+(\d+)\s+on\s+(TP\d+)", re.IGNORECASE)
_PROBE_OFF = re.compile(r"\bprobe\s+(\d+)\s+in\s+the\s+air\b", re.IGNORECASE)
_METER_ON = re.compile(r"\bmeter\s+on\s+(TP\d+)", re.IGNORECASE)
_INPUT_IS = re.compile(r"\binput\s+(\d+):\s*([A-Za-z_]\w*)?([^.;]*)", re.IGNORECASE)
_FACTOR = re.compile(r"\bprobe\s+(\d+(?:\.\d+)?)\s*x", re.IGNORECASE)


@role("prompts")
class Prompts(SimulatedInstrument):
    """Settings by this key: text. `Probe 1 on TP3. Input 1: rail, probe 1x.` moves and switches the simulated probe 1;
    `Probe 1 in the air.` takes it off the board; `Meter on TP20.` moves the meter's leads.

    Where the text says no test point at all, a channel named like a node is taken for the place of its probe; else the
    text means what it says, and a probe that it does not name hangs where it hung: a wrong input must show.
    """

    entry: ClassVar[type[SimulatedInstrumentEntry]] = SimulatedInstrumentEntry

    def __init__(self, making: InstrumentContext[None]) -> None:
        super().__init__(making.identity, making.settings, making.bench.clock)
        self._probing = making.bench.probing
        self._nodes = making.bench.board.nodes

    def changed(self, key: str, number: int) -> None:
        """Do what the text says."""
        del number
        if key != "text":
            return
        text = str(self.settings["text"])
        placed = {int(found[1]): found[2] for found in _PROBE_ON.finditer(text)}
        lifted = [int(found[1]) for found in _PROBE_OFF.finditer(text)]
        says_where = bool(placed or lifted)
        for found in _INPUT_IS.finditer(text):
            name = found[2] or ""
            if name in self._nodes and not says_where:
                placed.setdefault(int(found[1]), name)
            factor = _FACTOR.search(found[3])
            if factor:
                self._probing.switch(int(found[1]), float(factor[1]))
        for probe in lifted:
            self._probing.lift(probe)
        moves = [partial(self._probing.move, probe, place) for probe, place in placed.items()]
        moves += [partial(self._probing.move_meter, place) for place in _METER_ON.findall(text)]
        for move in moves:
            try:
                move()
            except Misuse as fault:
                raise ScpiError(-224, fault.what.replace("`", "")) from fault

    def reset(self) -> None:
        """`*RST`: the screen is blank; the probes hang where they hang."""
        super().reset()
