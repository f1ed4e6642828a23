"""A simulated digitizer that answers everything as text, rounds everything, takes its time, and says "done" too early.

The language is invented. A record comes as a list of volts in an indefinite block; the only honest sign of its end is
the percentage that `HOWFar?` answers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import partial

import numpy as np

from wavewright.simulation.acquisition import RecordSetup
from wavewright.simulation.devices.acquiring import AcquiringInstrument
from wavewright.simulation.devices.calculations import CALCULATIONS
from wavewright.simulation.devices.roles import role
from wavewright.simulation.front_end import FrontEndSettings
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.instrument import Answer, Command, ReceivedHeader, Reply
from wavewright.simulation.scpi.parameter_types import NOT_A_NUMBER, only
from wavewright.simulation.trigger import EdgeSetup

_INSERTS = {"STRA": "DC", "CAP": "AC", "ZERO": "GRO"}
_EDGES = {"RIS": "POS", "FALL": "NEG", "ANY": "EITH"}


@role("plain digitizer")
class PlainDigitizer(AcquiringInstrument):
    """Settings by these keys: full, middle, insert, narrow (each per input); every, take, before; wait_for, wait_level,
    wait_edge, forever.
    """

    def actions(self) -> Mapping[str, Command]:
        """What a definition file can give headers to."""
        return {
            "start": Command(tell=self.arm),
            "how_far": Command(ask=self._how_far),
            "cease": Command(tell=self.stop),
            "go": Command(tell=self.force),
            "print": Command(ask=self._print),
            **{f"judge_{name}": Command(ask=partial(self._judge, name)) for name in CALCULATIONS},
        }

    def input_setup(self, number: int) -> FrontEndSettings:
        """Full scale and middle as they stand."""
        settings = self.settings
        return FrontEndSettings(
            coupling=_INSERTS[str(settings.of("insert", number))],
            range=settings.number("full", number),
            offset=settings.number("middle", number),
            band_limit=20e6 if settings.of("narrow", number) else None,
            bits=self.bits,
        )

    def record_setup(self) -> RecordSetup:
        """Interval, count, time before the trigger."""
        settings = self.settings
        return RecordSetup(settings.number("every"), int(settings.number("take")), -settings.number("before"))

    def trigger_source(self) -> int:
        """The input that is waited for; 0: none."""
        return int(self.settings.number("wait_for"))

    def edge_setup(self) -> EdgeSetup:
        """Level and edge; the margin is the comparator's own."""
        settings = self.settings
        return EdgeSetup(settings.number("wait_level"), 0.0, _EDGES[str(settings["wait_edge"])])

    def is_automatic(self) -> bool:
        """It does not wait forever unless it is told to."""
        return not self.settings["forever"]

    def _how_far(self, call: ReceivedHeader) -> str:
        """Percentage of the record, in whole numbers; 100 is the end."""
        only(call.elements, 0, 0)
        if not self.is_running:
            return "100" if self._acquisition else "0"
        if not self.is_triggered:
            return "0"
        taken = self.recorded()
        assert taken.trigger_time is not None
        return str(min(99, int(100 * (self.clock.now - taken.trigger_time) / max(taken.record.last, 1e-9))))

    def _print(self, call: ReceivedHeader) -> Reply:
        """Volts with five digits between commas, in an indefinite block."""
        number = self._recorded_input(call)
        setup = self.recorded().inputs[number]
        volts = setup.offset + setup.volts_per_code * self.codes(number).astype(np.float64)
        text = ",".join(f"{value:.4E}" for value in volts.tolist())
        return Answer(b"#0" + text.encode("ascii"), is_last=True)

    def _judge(self, name: str, call: ReceivedHeader) -> str:
        """What the instrument makes of its record by itself, in three digits, followed by a word."""
        number = self._recorded_input(call)
        value = CALCULATIONS[name](self.own_record(number))
        return f"{NOT_A_NUMBER if math.isnan(value) else value:.2E} or so"

    def _recorded_input(self, call: ReceivedHeader) -> int:
        only(call.elements, 0, 0)
        number = call.number
        if not 1 <= number <= self.inputs:
            raise ScpiError(-114, f"input {number}, 1 to {self.inputs}")
        if self.is_running:
            raise ScpiError(-230, "the record is not complete")
        return number
