"""NMEA 0183: sentences in text, from `$` or `!` to the end of the line, closed by a checksum.

NMEA 0183 †: the checksum is the exclusive or of all characters between `$` and `*`, as two hex digits.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from functools import reduce
from operator import xor
from typing import Any

from wavewright.buses.catalogue import layer
from wavewright.buses.frame import Frame
from wavewright.buses.frames import Frames
from wavewright.buses.line.columns import Objects
from wavewright.buses.vocabulary import LIST, OCTET, TEXT, Vocabulary
from wavewright.errors import Misuse

MOST_DATA_BITS = 8
SENTENCE = re.compile(r"^[$!](?P<tag>[A-Z0-9]{2,}),?(?P<values>[^*]*)(?:\*(?P<checksum>[0-9A-Fa-f]{2}))?$")


def _refuse_bits(_: Collection[str], options: Mapping[str, Any]) -> None:
    if (bits := options.get("data_bits", MOST_DATA_BITS)) > MOST_DATA_BITS:
        raise Misuse(f"nmea over characters of {bits:g} data bits", expected="`data_bits: 8`")


@layer(
    "nmea",
    on=("uart",),
    source="NMEA 0183 †",
    says=Vocabulary(
        kinds=("sentence",),
        fields={"text": TEXT, "talker": TEXT, "formatter": TEXT, "values": LIST, "checksum": OCTET},
        errors=("cut", "format", "checksum"),
    ),
    refuse=_refuse_bits,
)
def nmea(frames: Frames, *, checksum: bool = True) -> Frames:
    """Sentences of NMEA 0183, one frame each.

    Fields: `text` (without the line end), `talker`, `formatter` (proprietary sentences: talker `P`), `values` (a tuple
    of words), `checksum` (int, as sent). What is wrong with a character is wrong with its sentence.

    Parameters
    ----------
    checksum : whether a sentence without a checksum is an error.

    Raises
    ------
    Misuse : characters of nine data bits, which are no text.
    """
    _refuse_bits((), frames.facts)
    column = frames.columns.get("data", Objects([]))
    found: list[Frame] = []
    begin: int | None = None
    for row in range(len(frames)):
        value = column[row]
        if value in (ord("$"), ord("!")):
            if begin is not None:
                found.append(_sentence(frames, begin, row, checksum, ended=False))
            begin = row
        elif value == ord("\n") and begin is not None:
            found.append(_sentence(frames, begin, row + 1, checksum, ended=True))
            begin = None
    if begin is not None:
        found.append(_sentence(frames, begin, len(frames), checksum, ended=None))
    return Frames.of(found, facts=frames.facts)


def _sentence(frames: Frames, first: int, last: int, checksum: bool, *, ended: bool | None) -> Frame:
    """`ended` is False where the next sentence began before the line ended, None where the record did."""
    part = list(frames[first:last])
    line = "".join(chr(frame.fields.get("data", 0xFFFD)) for frame in part)
    words = list(dict.fromkeys(word for frame in part for word in frame.errors))
    if ended is None:
        words.append("cut")
    elif not ended or not line.endswith("\r\n"):
        words.append("format")
    text = line.rstrip("\r\n")
    fields: dict[str, Any] = {"text": text}
    match = SENTENCE.match(text)
    if match is None:
        words += ["format"] * (ended is not None)
    else:
        tag = match["tag"]
        is_own = tag.startswith("P")
        fields |= {"talker": "P" if is_own else tag[:2], "formatter": tag[1:] if is_own else tag[2:]}
        fields["values"] = tuple(match["values"].split(","))
        _check(match["checksum"], text, fields, words, checksum and ended is not None)
    return Frame(part[0].start, part[-1].end, "sentence", fields, tuple(dict.fromkeys(words)))


def _check(sent: str | None, text: str, fields: dict[str, Any], words: list[str], required: bool) -> None:
    if sent is None:
        words += ["checksum"] * required
        return
    fields["checksum"] = int(sent, 16)
    if reduce(xor, text[1 : text.index("*")].encode("latin-1", "replace"), 0) != fields["checksum"]:
        words.append("checksum")
