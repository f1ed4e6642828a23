"""A small language to search frames with.

    address = 0x48 and nack
    text like_regex "ERR" or error = "crc"
    id between 0x100 and 0x1FF and not remote
    holds "11 03" and duration > 2 ms

| written | holds for a frame |
|---|---|
| `FIELD = VALUE`, and `<>`, `<`, `<=`, `>`, `>=` | whose field compares so; one without that field never does |
| `FIELD between LOW and HIGH` | whose field lies in that range, ends included |
| `FIELD like_regex "PATTERN"` | whose field, as text, matches a regular expression somewhere |
| `FIELD holds "11 03"` | whose field holds these bytes, in hex |
| `holds "11 03"`, `text like_regex "ERR"` | whose bytes do; characters that each are a frame are strung together |
| `error = "crc"` | that has this error |
| a word alone | a flag of the frame (`read`, `extended`, …), its kind (`break`), an error of one word (`crc`) |
| a field alone | that has it, where only some frames do (`partial`, `exception`) |
| `error`, `clean`, `ack`, `nack`, `write` | with any error, with none, acknowledged, not acknowledged, not read |
| `not`, `and`, `or`, `( )` | as usual, binding in this order |

Comparisons, `between`, `like_regex`, `and`, `or` and `not` are words of SQL (ISO/IEC 9075 †); `holds` is
our own.
Fields are those of the bus, and `start`, `end`, `duration` (s) and `kind`; `id` is short for `identifier`. Values are
decimal, `0x…` or `0b…` numbers, numbers with a unit of time, or text in double quotes. What the frames of a bus never
say is refused, and so is what could hold for none of them: `not eror` would else hold for all.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.buses.frame import ERRORS
from wavewright.buses.frame_bytes import frames_with
from wavewright.buses.line.columns import ABSENT, Column, Flags, Numbers, Objects
from wavewright.buses.search.check import NACK, SHORT, check_search
from wavewright.buses.search.grammar import (
    And,
    FieldComparison,
    Flag,
    HoldsBytes,
    Matches,
    Node,
    Not,
    Or,
    Within,
    parse,
)
from wavewright.errors import Misuse
from wavewright.nearest import unknown

if TYPE_CHECKING:
    from wavewright.buses.frames import Frames
    from wavewright.buses.vocabulary import Vocabulary

COMPARISONS: Mapping[str, Callable[[Any, Any], Any]] = MappingProxyType(
    {
        "=": operator.eq,
        "<>": operator.ne,
        "<": operator.lt,
        "<=": operator.le,
        ">": operator.gt,
        ">=": operator.ge,
    }
)


@dataclass(frozen=True, slots=True)
class Search:
    """A search that has been read; `text` is how it was written."""

    text: str
    node: Node

    @classmethod
    def read(cls, text: str) -> Search:
        """Read a search.

        Raises
        ------
        Misuse : it cannot be read; says where and what was expected.
        """
        return cls(text, parse(text))

    def where(self, frames: Frames) -> Flags:
        """Which frames it holds for; shape (n,).

        Raises
        ------
        Misuse : it names what these frames never say, or compares a number with text.
        """
        if frames.says is not None:
            self.check(frames.says)
        return _where(self.node, frames)

    def check(self, says: Vocabulary) -> None:
        """Refuse a search that frames which say no more than that can never fulfil, or always do.

        Raises
        ------
        Misuse : an unknown word, field or error, with its column and the nearest; a range or a comparison that holds
            for nothing.
        """
        check_search(self.text, self.node, says)


def find_frames(frames: Frames, text: str) -> Frames:
    """The frames that a search holds for.

    Raises
    ------
    Misuse : as `Search.read` and `Search.where`.
    """
    return frames.take(Search.read(text).where(frames))


def bytes_of_hex(text: str) -> bytes:
    """Bytes written as hex pairs, with or without spaces.

    Raises
    ------
    Misuse : they are not.
    """
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise Misuse(f'bytes "{text}"', expected='pairs of hex digits, such as "11 03"') from None


def occurrences(pattern: bytes, text: bytes) -> list[tuple[int, int]]:
    """Where some bytes occur in others, overlapping ones too: first, last (exclusive)."""
    found, at = [], text.find(pattern)
    while at >= 0 and pattern:
        found.append((at, at + len(pattern)))
        at = text.find(pattern, at + 1)
    return found


def _where(node: Node, frames: Frames) -> Flags:
    match node:
        case And(left, right):
            return _where(left, frames) & _where(right, frames)
        case Or(left, right):
            return _where(left, frames) | _where(right, frames)
        case Not(inner):
            return ~_where(inner, frames)
        case Flag(word):
            return _flag(word, frames)
        case HoldsBytes(None, wanted):
            return frames_with(frames, lambda text: occurrences(wanted, text))
        case HoldsBytes(str(name), wanted):
            return _each(frames, name, lambda value: isinstance(value, bytes) and wanted in value)
        case Matches("text", pattern) if "text" not in frames.columns:
            return frames_with(frames, pattern.spans)
        case Matches(name, pattern):
            return _each(frames, name, lambda value: pattern.search(_as_text(value)) is not None)
        case Within(name, low, high):
            return _compared(frames, name, ">=", low) & _compared(frames, name, "<=", high)
        case FieldComparison(name, sign, value):
            return _compared(frames, name, sign, value)
    raise AssertionError(node)  # every kind of node has its case


def _flag(word: str, frames: Frames) -> Flags:
    words = frames.errors_by_word
    if word in ("error", "clean"):
        return frames.has_errors if word == "error" else ~frames.has_errors
    if word in ("nack", "ack"):
        refused = words.get(NACK, np.zeros(len(frames), dtype=np.bool_))
        return refused if word == "nack" else ~refused
    if word == "write" and "read" in frames.columns:
        return _each(frames, "read", lambda value: value is False)
    column = frames.columns.get(word)
    if column is not None and _has_flags(column):
        return _each(frames, word, lambda value: value is True)
    if word in frames.kinds.words:
        return frames.of_kind(word)
    if word in words:
        return words[word]
    if column is not None:  # a field that only some frames have: those
        return np.array([value is not ABSENT for value in column.to_list()], dtype=np.bool_)
    if frames.says is None and word not in ERRORS and len(frames):
        raise unknown(
            f"there is no word `{word}` in these frames", word, (*frames.columns, *frames.kinds.words, *ERRORS)
        )
    return np.zeros(len(frames), np.bool_)


def _has_flags(column: Column) -> bool:
    if isinstance(column, Numbers):
        return column.values.dtype == np.bool_
    return isinstance(column, Objects) and any(isinstance(value, bool) for value in column.values)


def _compared(frames: Frames, field: str, sign: str, value: Any) -> Flags:
    name, compare = SHORT.get(field, field), COMPARISONS[sign]
    if name == "error":
        has = frames.errors_by_word.get(str(value), np.zeros(len(frames), dtype=np.bool_))
        return has if sign == "=" else ~has
    times = {"start": frames.starts, "end": frames.ends, "duration": frames.ends - frames.starts}
    column = Numbers(times[name]) if name in times else frames.columns.get(name)
    if isinstance(column, Numbers):
        _check_comparable(field, value, number=True)
        result = np.asarray(compare(column.values, value), dtype=np.bool_)
        return result if column.present is None else result & column.present
    return _each(frames, name, lambda held: _holds(held, sign, value, field))


def _holds(held: Any, sign: str, value: Any, field: str) -> bool:
    if isinstance(held, bytes) and isinstance(value, str):
        value = bytes_of_hex(value)
    elif isinstance(held, int | float | str):
        _check_comparable(field, value, number=not isinstance(held, str))
    return isinstance(value, type(held) | float) and bool(COMPARISONS[sign](held, value))


def _each(frames: Frames, field: str, holds: Callable[[Any], bool]) -> Flags:
    name = SHORT.get(field, field)
    column = frames.kinds if name == "kind" else frames.columns.get(name)
    if column is None:
        if frames.says is not None or not len(frames):
            return np.zeros(len(frames), dtype=np.bool_)  # a field that frames may have, and none of these does
        known = ["kind", "start", "end", "duration", "error", *(key for key in frames.columns if key[0] != "_")]
        raise Misuse(f"search for `{field}`", expected=f"one of {', '.join(known)}")
    return np.array([value is not ABSENT and holds(value) for value in column.to_list()], dtype=np.bool_)


def _check_comparable(field: str, value: Any, *, number: bool) -> None:
    if isinstance(value, str) == number:
        raise Misuse(
            f"search: `{field}` compared with `{value}`", expected="a number" if number else "text in double quotes"
        )


def _as_text(value: Any) -> str:
    return value.decode("latin-1") if isinstance(value, bytes) else str(value)
