"""A simulated digitizer with its own command set: volts per division, ten per screen, and 12-bit records.

The language is invented. Volts and seconds are set for each line of the grid, the scale of a record comes in a
comma-separated head, the samples in a block of 16-bit words, left-justified, most significant byte first.
"""

from __future__ import annotations

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
from wavewright.simulation.scpi.parameter_types import definite_block, number_text, only
from wavewright.simulation.trigger import EdgeSetup

LINES = 10
_PATHS = {"DIR": "DC", "BLOC": "AC", "EART": "GRO"}
_EDGES = {"UPW": "POS", "DOWN": "NEG", "BOTH": "EITH"}
_WORD_BITS = 16
_PER_MILLE = ("duty", "overshoot")


@role("grid digitizer")
class GridDigitizer(AcquiringInstrument):
    """Settings by these keys: step, middle, path, calm, shown (each per lane); pace, count, lead; watch_lane,
    watch_height, watch_edge, watch_margin, watch_rest, patient.
    """

    def actions(self) -> Mapping[str, Command]:
        """What a definition file can give headers to."""
        return {
            "hunt": Command(tell=self.arm, ask=self._state),
            "halt": Command(tell=self.stop),
            "now": Command(tell=self.force),
            "head": Command(ask=self._head),
            "body": Command(ask=self._body),
            "interval": Command(ask=lambda _: number_text(self.record_setup().interval)),
            **{f"tally_{name}": Command(ask=partial(self._tally, name)) for name in CALCULATIONS},
        }

    def input_setup(self, number: int) -> FrontEndSettings:
        """Full scale is ten lines."""
        settings = self.settings
        return FrontEndSettings(
            coupling=_PATHS[str(settings.of("path", number))],
            range=LINES * settings.number("step", number),
            offset=settings.number("middle", number),
            band_limit=20e6 if settings.of("calm", number) else None,
            bits=self.bits,
        )

    def record_setup(self) -> RecordSetup:
        """The count of samples is spread over ten lines; the interval follows."""
        count = int(self.settings.number("count"))
        return RecordSetup(LINES * self.settings.number("pace") / count, count, -self.settings.number("lead"))

    def trigger_source(self) -> int:
        """The lane that is watched; 0: at once."""
        return int(self.settings.number("watch_lane"))

    def edge_setup(self) -> EdgeSetup:
        """Height, margin, edge."""
        settings = self.settings
        return EdgeSetup(
            settings.number("watch_height"), settings.number("watch_margin"), _EDGES[str(settings["watch_edge"])]
        )

    def is_automatic(self) -> bool:
        """An impatient instrument records after a while without an edge."""
        return not self.settings["patient"]

    def holdoff(self) -> float:
        """Rest, s."""
        return self.settings.number("watch_rest")

    def _state(self, call: ReceivedHeader) -> str:
        only(call.elements, 0, 0)
        if not self.is_running:
            return "FULL" if self._acquisition else "IDLE"
        return "WAIT" if self.waits_for_trigger else "FILL"

    def _lane(self, call: ReceivedHeader) -> int:
        only(call.elements, 0, 0)
        number = call.number
        if not 1 <= number <= self.inputs:
            raise ScpiError(-114, f"lane {number}, 1 to {self.inputs}")
        if self.is_running or not self.settings.of("shown", number):
            raise ScpiError(-230, f"lane {number} has no frame")
        return number

    def _head(self, call: ReceivedHeader) -> Reply:
        """Lane, bits, count, interval, first, volts per step of the 16-bit word, volts at word 0."""
        number = self._lane(call)
        taken = self.recorded()
        setup, record = taken.inputs[number], taken.record
        gain = setup.volts_per_code / (1 << (_WORD_BITS - self.bits))
        numbers = (record.interval, record.first, gain, setup.offset)
        return ",".join((str(number), str(self.bits), str(record.points), *map(number_text, numbers)))

    def _body(self, call: ReceivedHeader) -> Reply:
        words = self.codes(self._lane(call)).astype(np.int16) << (_WORD_BITS - self.bits)
        return Answer(definite_block(words.astype(">i2").tobytes()))

    def _tally(self, name: str, call: ReceivedHeader) -> str:
        """What the instrument makes of a frame by itself; shares in thousandths."""
        number = self._lane(call)
        value = CALCULATIONS[name](self.own_record(number))
        return number_text(1000 * value if name in _PER_MILLE else value)
