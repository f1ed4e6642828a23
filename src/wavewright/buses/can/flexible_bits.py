"""CAN FD frames read bit by bit, as a controller reads them, whatever is wrong with them."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import Any

import numpy as np

from wavewright.buses.can.flexible_format import COUNT_BITS, GRAY, LENGTHS, LONG, MOST_FOR_SHORT, SHORT, TRAILER
from wavewright.buses.frame import Frame
from wavewright.buses.line.checksums import CRCS, crc_of_bits
from wavewright.buses.line.logic import Line
from wavewright.waveform import Floats

PORTION = 1024  # edges that are examined together


class BitByBit:
    """Frames of a line as they are read bit by bit, each once, however often it is asked for.

    Parameters
    ----------
    times : duration of a bit in the arbitration and in the data phase, s.
    points : sample points in the two phases.
    """

    def __init__(self, line: Line, *, times: tuple[float, float], points: tuple[float, float]) -> None:
        self._line, self._times, self._points = line, times, points
        self._known: dict[float, tuple[_Read, int]] = {}  # by its start; and the CRC that it should have

    def frames(self, starts: Floats, following: Floats, *, flags: Floats) -> list[Frame]:
        """Those that begin at some edges to dominant, s.

        Parameters
        ----------
        following : when the next frame begins, s.
        flags : when error flags begin, s, ascending.
        """
        fresh = [start for start in starts.tolist() if start not in self._known]
        read = [_read_flexible(self._line, start, times=self._times, points=self._points) for start in fresh]
        for each, computed in zip(read, _computed([each.sent for each in read]), strict=True):
            self._known[each.start] = each, computed
        found = []
        for start, after in zip(starts.tolist(), following.tolist(), strict=True):
            each, computed = self._known[start]
            found.append(each.frame(computed, flags[np.searchsorted(flags, start) :], after))
        return found


@dataclass(frozen=True, slots=True)
class _Sent:
    """What the CRC of a frame is computed from, all stuff bits included; none where it could not be read so far."""

    check: str = SHORT
    bits: tuple[bool, ...] = ()


@dataclass(frozen=True, slots=True)
class _Read:
    """A frame as it was read; `errors` are those found before the CRC, and those after it."""

    start: float
    end: float
    fields: dict[str, Any]
    sent: _Sent
    errors: tuple[list[str], list[str]]

    def frame(self, computed: int, flags: Floats, following: float) -> Frame:
        """The frame, with the CRC that it should have.

        Parameters
        ----------
        flags : when error flags begin from the start of the frame on, s.
        following : when the next frame begins, s.
        """
        before, after = self.errors
        if "stuff" in after and flags.size and flags[0] < following:
            return Frame(self.start, self.end, "error", self.fields, ("error flag",))
        is_wrong = bool(self.sent.bits) and self.fields["crc"] != computed
        if flags.size and flags[0] < min(self.end, following):
            after = [*after, "error flag"]
        return Frame(self.start, self.end, "flexible data", self.fields, (*before, *["crc"] * is_wrong, *after))


def _computed(sent: list[_Sent]) -> list[int]:
    """The CRC of each frame, of all frames together."""
    found = [0] * len(sent)
    for check in (SHORT, LONG):
        rows = [row for row, each in enumerate(sent) if each.check == check and each.bits]
        bits = np.array([bit for row in rows for bit in sent[row].bits], dtype=np.bool_)
        ends = np.cumsum([len(sent[row].bits) for row in rows], dtype=np.int64)
        words = crc_of_bits(bits, np.append(0, ends[:-1]) if rows else ends, ends, CRCS[check])
        for row, word in zip(rows, words.tolist(), strict=True):
            found[row] = word
    return found


def _read_flexible(line: Line, start: float, *, times: tuple[float, float], points: tuple[float, float]) -> _Read:
    """One CAN FD frame that begins at an edge to dominant, s."""
    reader = _Reader(line, start, times, points)
    fields: dict[str, Any] = {"remote": False}
    sent = _Sent()
    before: list[str] = []
    following: list[str] = []
    try:
        _arbitration(reader, fields)
        _data(reader, fields)
        sent = _check(reader, fields, before)
        delimiter = reader.plain()
        reader.switch(fast=False)
        trailer = [delimiter, *(reader.plain() for _ in range(TRAILER))]
        fields["acknowledged"] = not trailer[1]
        following += ["not acknowledged"] * trailer[1]
        following += ["form"] * (not (trailer[0] and all(trailer[2:])))
    except _Broken as broken:
        following.append(str(broken))
    return _Read(start, min(reader.bit_end, line.end), fields, sent, (before, following))


class _Broken(Exception):
    """A frame that cannot be read on; the message is the word for it."""


@dataclass(slots=True)
class _Run:
    level: bool = True
    length: int = 0


class _Reader:
    """Bits one after the other, resynchronised at edges to dominant, at one of two rates."""

    def __init__(self, line: Line, start: float, times: tuple[float, float], points: tuple[float, float]) -> None:
        self.line, self.times, self.points = line, times, points
        self.fast = 0
        self.level = True
        self.bit_end = start  # where the next bit begins
        self.run = _Run()
        self.seen: list[bool] = []  # all bits, stuff bits too, as the CRC sees them
        self.stuff_bits = 0
        self._first, self._end = line.first, line.end
        self._times: list[float] = []  # of a portion of the line, for one bit after the other
        self._begin = 0  # index of the first of them
        self._after = start  # s, what lies after it is in no portion yet

    def plain(self) -> bool:
        """The next bit as it is."""
        period, point = self.times[self.fast], self.points[self.fast]
        sampled = self.bit_end + period * point
        if sampled > self._after:
            self._look_on(sampled)
        place = bisect_right(self._times, sampled) - 1  # the last edge before the sample point
        if self.level:  # after a recessive bit the edge to dominant that is nearest to the due place moves the clock
            first, edge, due = self.bit_end - period * (1 - point), place, self.bit_end
            found = []
            while edge >= 0 and self._times[edge] > first:
                if self._is_low_after(edge):
                    found.append(self._times[edge])
                edge -= 1
            for begin in sorted(found, key=lambda begin: abs(begin - due)):
                following = bisect_right(self._times, begin + period * point) - 1
                if self._is_low_after(following):  # and not a pulse that is over again when the bit is read
                    sampled, place = begin + period * point, following
                    break
        if sampled > self._end:
            raise _Broken("cut")
        self.level = not self._is_low_after(place)
        self.bit_end = sampled + period * (1 - point)
        return self.level

    def _is_low_after(self, place: int) -> bool:
        """The line is low after an edge of the portion; `place` −1 stands for what is in front of it."""
        return ((self._begin + place) & 1 != 0) == (not self._first)

    def _look_on(self, instant: float) -> None:
        """Take the portion of edges from shortly before an instant on."""
        times, margin = self.line.times, 2 * max(self.times)
        self._begin = int(np.searchsorted(times, instant - margin))
        end = max(self._begin + PORTION, int(np.searchsorted(times, instant + 2 * margin)))
        self._times = times[self._begin : end].tolist()
        self._after = math.inf if end >= times.size else self._times[-1] - margin

    def switch(self, fast: bool) -> None:
        """Change the bit rate at the sample point of the bit that was read last."""
        before = self.times[self.fast] * (1 - self.points[self.fast])
        self.fast = int(fast)
        self.bit_end += self.times[self.fast] * (1 - self.points[self.fast]) - before

    def stuffed(self) -> bool:
        """The next bit that is not a stuff bit."""
        if self.run.length == 5:
            self.stuff_bits += 1
            self._count(self.plain())
            if self.run.length > 5:
                raise _Broken("stuff")
        self._count(self.plain())
        return self.level

    def number(self, count: int) -> int:
        """A number of that many bits, most significant first."""
        value = 0
        for _ in range(count):
            value = value << 1 | self.stuffed()
        return value

    def _count(self, level: bool) -> None:
        self.run.length = self.run.length + 1 if level == self.run.level else 1
        self.run.level = level
        self.seen.append(level)


def _arbitration(reader: _Reader, fields: dict[str, Any]) -> None:
    reader.stuffed()  # start of frame
    identifier = reader.number(11)
    reader.stuffed()  # RRS, or SRR
    extended = reader.stuffed()
    if extended:
        identifier = identifier << 18 | reader.number(18)
        reader.stuffed()
    reader.stuffed()  # FDF, known to be 1
    fields |= {"identifier": identifier, "extended": extended}
    if reader.stuffed():
        raise _Broken("form")  # res must be dominant
    fields["fast"] = reader.stuffed()
    if fields["fast"]:
        reader.switch(fast=True)
    fields["error_passive"] = reader.stuffed()


def _data(reader: _Reader, fields: dict[str, Any]) -> None:
    fields["length"] = reader.number(4)
    fields["data"] = bytes(reader.number(8) for _ in range(LENGTHS[fields["length"]]))


def _check(reader: _Reader, fields: dict[str, Any], errors: list[str]) -> _Sent:
    check = SHORT if len(fields["data"]) <= MOST_FOR_SHORT else LONG
    previous, bits = reader.level, []
    for number in range(COUNT_BITS + CRCS[check].width):
        if number % 4 == 0 and reader.plain() == previous and "stuff" not in errors:
            errors.append("stuff")
        previous = reader.plain()
        bits.append(previous)
    count = bits[0] << 2 | bits[1] << 1 | bits[2]
    if GRAY[reader.stuff_bits % 8] != count or sum(bits[:COUNT_BITS]) % 2:
        errors.append("stuff count")
    fields["crc"] = int("".join("01"[bit] for bit in bits[COUNT_BITS:]), 2)
    return _Sent(check, (*reader.seen, *bits[:COUNT_BITS]))
