"""A frame: one unit of what was said on a line, and every word that says what was wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

ERRORS: Mapping[str, str] = MappingProxyType(
    {
        "framing": "a stop bit is low",
        "parity": "the parity bit does not fit the data",
        "break": "the line stayed low for longer than a whole character",
        "cut": "the record begins or ends inside this frame",
        "unsynchronised": "the record began without a pause, and where a character or word starts is not certain",
        "glitch": "a pulse shorter than half a bit lies inside the frame, or so near that it may have moved it",
        "undersampled": "too few samples per bit for a reliable decision",
        "timing": "an edge is far from where the bit clock expects it",
        "baud": "the measured bit rate is further from the setting than a mid-bit receiver tolerates",
        "polarity": "the line idles at the level of a break: it looks inverted",
        "crc": "the cyclic redundancy check does not fit",
        "checksum": "the checksum does not fit",
        "pec": "the packet error code does not fit",
        "gap": "a pause inside the frame that is longer than allowed",
        "short": "fewer bytes than such a frame must have",
        "long": "more bytes than such a frame may have",
        "incomplete": "the frame ended before its last bit",
        "not acknowledged": "the receiver did not acknowledge",
        "reserved": "a reserved address is used against its meaning",
        "undefined": "the line was between the two levels where it was read",
        "stuff": "six equal bits where the stuffing rule allows five",
        "form": "a bit of fixed level has the other one",
        "error flag": "a node destroyed the frame with an error flag",
        "stuff count": "the number of stuff bits does not fit the one that was sent",
        "sync": "the synchronisation pattern, or the START before some clocks, is missing or wrong",
        "identifier parity": "the parity bits of the protected identifier do not fit",
        "no answer": "a header without an answer",
        "slot": "the duration of a low pulse fits no kind of slot",
        "format": "the text does not follow the format",
        "clock held": "the clock was held low longer than allowed, or to the end of the record",
        "data held": "the data line stayed low to the end of the record, and the clock stood still",
    }
)
"""Every word that may be in `Frame.errors`, and what it means."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One unit of what was said: a character, a transfer, a word, a message.

    Parameters
    ----------
    start, end : s, on the time axis of the waveforms.
    kind : what it is, in the words of the bus (`character`, `break`, `transfer`, `data`, `message`, …).
    fields : what it says, by name; which names there are is said by the bus. A field that could not be read is absent.
    errors : words of `ERRORS`, none twice; empty when the frame is clean.
    """

    start: float
    end: float
    kind: str
    fields: Mapping[str, Any] = field(default_factory=dict)
    errors: tuple[str, ...] = ()

    @property
    def is_clean(self) -> bool:
        """Nothing was wrong with it."""
        return not self.errors

    def __getitem__(self, name: str) -> Any:
        return self.fields[name]

    def as_json(self) -> dict[str, Any]:
        """Plain numbers, words and lists; bytes become upper-case hex pairs with a space between."""
        return {
            "start": self.start,
            "end": self.end,
            "kind": self.kind,
            "fields": {name: _plain(value) for name, value in self.fields.items()},
            "errors": list(self.errors),
        }


def _plain(value: Any) -> Any:
    if isinstance(value, bytes):
        return value.hex(" ").upper()
    if isinstance(value, tuple | list):
        return [_plain(part) for part in value]
    if isinstance(value, Mapping):
        return {name: _plain(part) for name, part in value.items()}
    return value
