"""LIN: a break, a synchronisation byte, a protected identifier, and the answer with its checksum.

LIN 2.1, 2.3 †.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Annotated, Literal

import numpy as np

from wavewright.analysis.sense import POSITIVE
from wavewright.buses.catalogue import bus, nothing_more
from wavewright.buses.frame import Frame
from wavewright.buses.frames import Frames
from wavewright.buses.line.bit_rate import find_bit_time
from wavewright.buses.line.checksums import carry_sum
from wavewright.buses.line.columns import Objects
from wavewright.buses.line.logic import Line
from wavewright.buses.uart.uart import uart
from wavewright.buses.vocabulary import BYTES, OCTET, Vocabulary, number, words
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

SYNC = 0x55
DIAGNOSTIC = (0x3C, 0x3D)  # always with the classic checksum
MOST_DATA = 8  # bytes
OWN_WORDS = ("framing", "parity", "cut", "glitch", "timing", "baud", "undersampled")
BREAK = 10.25  # bits: low for longer than any character
SHORTEST_PULSE = 0.5  # bits; a shorter one inside a break is none of its ends
PAUSE = 10.0  # bits without a character: the frame before is over


def protected_identifier(identifier: int) -> int:
    """Identifier with its two parity bits: P0 = ID0⊕ID1⊕ID2⊕ID4 in bit 6, P1 = ¬(ID1⊕ID3⊕ID4⊕ID5) in bit 7."""
    bit = [identifier >> place & 1 for place in range(6)]
    first = bit[0] ^ bit[1] ^ bit[2] ^ bit[4]
    second = 1 ^ bit[1] ^ bit[3] ^ bit[4] ^ bit[5]
    return (identifier & 0x3F) | first << 6 | second << 7


@bus(
    "lin",
    channels=("line",),
    source="LIN 2.1, 2.3.1 †",
    says=Vocabulary(
        kinds=("frame", "header"),
        fields={
            "identifier": number(0, 0x3F),
            "data": BYTES,
            "checksum": OCTET,
            "model": words(("classic", "enhanced")),
        },
        errors=(*OWN_WORDS, "sync", "identifier parity", "no answer", "short", "long", "checksum"),
    ),
    refuse=nothing_more,
)
def lin(
    line: Line,
    *,
    baud: Annotated[float, "Bd", POSITIVE] | Literal["auto"] = "auto",
    checksum: Literal["auto", "classic", "enhanced"] = "auto",
) -> Frames:
    """Frames on a LIN bus, one from a break to the last character before the next.

    Fields: `identifier` (six bits), `data`, `checksum` (int, as sent), `model` (`classic` or `enhanced`, whichever
    fits). A header without an answer has the error `no answer`. A frame that the record ends soon after is `cut`,
    unless another one with its identifier is as long.

    Parameters
    ----------
    baud : Bd, nominal; `auto` takes the shortest pulse that occurs often for a bit.
    checksum : `classic` over the data, `enhanced` over protected identifier and data, `auto` either, but the same
        for all frames of an identifier. The diagnostic identifiers 0x3C and 0x3D are always classic.
    """
    try:
        bit = find_bit_time(line) if baud == "auto" else 1 / float(baud)
    except NotMeasurable:
        return Frames.of([], facts={"record_start": line.start, "record_end": line.end})
    line, spikes = _with_whole_breaks(line, bit)
    characters = uart(line, baud=baud)
    until = line.end
    is_low = len(characters) and not line.is_high(line.end) and characters.starts[-1] >= line.times[-1]
    if is_low and characters.kinds[len(characters) - 1] == "character":  # to the end of the record: maybe a break
        until, characters = float(characters.starts[-1]), characters[:-1]
    begins = np.flatnonzero(characters.of_kind("break"))
    ends = np.append(begins[1:], len(characters))[: begins.size]
    data = characters.columns.get("data", Objects([]))
    frames = []
    for first, last in zip(begins.tolist(), ends.tolist(), strict=True):
        part = characters[first + 1 : last]
        values = [data[row] for row in range(first + 1, last)]
        words = [word for word in OWN_WORDS if any(word in frame.errors for frame in part)]
        begin, end = characters.starts[first], part[-1].end if len(part) else characters[first].end
        if ((spikes >= begin) & (spikes < characters.ends[first])).any() and "glitch" not in words:
            words.append("glitch")
        known = [value for value in values if isinstance(value, int)]
        frames.append(_frame(float(begin), end, known, words, checksum))
    if frames:
        frames[-1] = _last(frames, until, bit)
    return Frames.of(_settled(frames) if checksum == "auto" else frames, facts=characters.facts)


def _with_whole_breaks(line: Line, bit: float) -> tuple[Line, Floats]:
    """The line without the short pulses that split a break; and when those begin, s."""
    first = int(not line.first)
    falls, rises = line.times[first::2], line.times[first + 1 :: 2]
    joined = np.flatnonzero(falls[1:] - rises[: max(falls.size - 1, 0)] < SHORTEST_PULSE * bit)  # each to the next low
    if not joined.size:
        return line, np.empty(0)
    leads = np.concatenate([[True], np.diff(joined) > 1])
    group = np.cumsum(leads) - 1
    begins, ends = falls[joined[leads]], np.append(rises, line.end)[joined[np.append(leads[1:], True)] + 1]
    inside = joined[(ends - begins > BREAK * bit)[group]]
    places = first + 2 * inside + 1
    times = np.delete(line.times, np.concatenate([places, places + 1]))
    return replace(line, instants=times, states=None), rises[inside]


def _last(frames: list[Frame], until: float, bit: float) -> Frame:
    """The last frame, which is over if there is a pause after it, or if others of its identifier are as long.

    Parameters
    ----------
    until : when the record ends or something begins that was not read, s.
    """
    frame = frames[-1]
    if "cut" in frame.errors or until - frame.end >= PAUSE * bit:
        return frame
    lengths = {
        len(each["data"])
        for each in frames[:-1]
        if "model" in each.fields and each["identifier"] == frame.fields.get("identifier")
    }
    is_over = "model" in frame.fields and len(frame["data"]) in lengths
    return frame if is_over else replace(frame, errors=(*frame.errors, "cut"))


def _settled(frames: list[Frame]) -> list[Frame]:
    """Each identifier with one model: that of most of its frames; the others, or all where as many have either, have a
    wrong checksum.
    """
    models: dict[int, Counter[str]] = {}
    for frame in frames:
        if frame.is_clean and "model" in frame.fields:
            models.setdefault(frame["identifier"], Counter())[frame["model"]] += 1
    found = []
    for frame in frames:
        votes = models.get(frame.fields.get("identifier", -1), Counter[str]())
        mine = votes[frame.fields.get("model", "")]
        if "model" in frame.fields and any(count >= mine for name, count in votes.items() if name != frame["model"]):
            fields = {name: value for name, value in frame.fields.items() if name != "model"}
            frame = replace(frame, fields=fields, errors=(*frame.errors, "checksum"))  # noqa: PLW2901
        found.append(frame)
    return found


def _frame(start: float, end: float, values: list[int], words: list[str], checksum: str) -> Frame:
    if len(values) < 2 or values[0] != SYNC:
        missing = "cut" if "cut" in words else "sync"
        return Frame(start, end, "header", {}, tuple(dict.fromkeys([*words, missing])))
    protected, answer = values[1], bytes(values[2:])
    identifier = protected & 0x3F
    if protected_identifier(identifier) != protected:
        words.append("identifier parity")
    if len(answer) < 2:
        words.append("no answer" if not answer else "short")
        return Frame(start, end, "header", {"identifier": identifier}, tuple(words))
    data, sent = answer[:-1], answer[-1]
    if len(data) > MOST_DATA:
        words.append("long")
    sums = {"classic": carry_sum(data), "enhanced": carry_sum(bytes([protected]) + data)}
    allowed = "classic" if identifier in DIAGNOSTIC else checksum
    fitting = [name for name in ("enhanced", "classic") if allowed in ("auto", name) and sums[name] == sent]
    fields = {"identifier": identifier, "data": data, "checksum": sent}
    if fitting:
        fields["model"] = fitting[0]
    else:
        words.append("checksum")
    return Frame(start, end, "frame", fields, tuple(words))
