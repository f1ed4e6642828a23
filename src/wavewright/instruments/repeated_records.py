"""Records that come twice: a digitizer that has stopped taking new ones, and answers all queries as if it had not.

Noise alone makes any two records differ, and so does the chance with which a trigger falls between two samples. Where
the same samples come again, no new record was taken: the acquisition was refused, and nothing told of it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from wavewright.instruments.setups import InputSetup
from wavewright.waveform import Codes, Waveform

LOOKED_AT = 4096  # samples of a record, evenly spread; of a short one all
# At least this many of these must differ from the one before them. A steady line, or a few steps of one that shows no
# noise, may well come out the same twice; a hundred steps do only if each is at the same sample: common practice, no
# source.
LEAST_CHANGES = 100


class RepeatedRecords:
    """Remembers of each input the record that came last."""

    def __init__(self) -> None:
        self._last: dict[int, tuple[int, bytes]] = {}

    def seen(self, waves: Mapping[str, Waveform], inputs: Mapping[str, InputSetup]) -> tuple[str, ...]:
        """The channels whose record is the one that came before it from the same input; takes in the new ones."""
        found = []
        for name, wave in waves.items():
            number, mark = inputs[name].input, _mark(wave.codes)
            if mark is not None and self._last.get(number) == mark:
                found.append(name)
            if mark is None:
                self._last.pop(number, None)
            else:
                self._last[number] = mark
        return tuple(found)


def _mark(codes: Codes) -> tuple[int, bytes] | None:
    """What two records share only if they are one; None for one that shows too little."""
    part = codes[:: max(codes.size // LOOKED_AT, 1)]
    if np.count_nonzero(part[1:] != part[:-1]) < LEAST_CHANGES:
        return None
    return codes.size, part.tobytes()
