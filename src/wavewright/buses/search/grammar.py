"""The grammar of searches over frames: from text to a tree, with a message that says where it could not go on.

Written by hand, as are expressions and program messages: a parser generator names the tokens that it expected, not what
a person can write there, and takes longer to load than a recipe takes to read.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import TypeAlias

from wavewright.buses.search.patterns import Pattern, read_pattern
from wavewright.earlier_spellings import SEARCHES
from wavewright.errors import Misuse, Place
from wavewright.quantities import read_quantity


@dataclass(frozen=True, slots=True)
class And:
    """Both hold."""

    left: Node
    right: Node


@dataclass(frozen=True, slots=True)
class Or:
    """At least one holds."""

    left: Node
    right: Node


@dataclass(frozen=True, slots=True)
class Not:
    """It does not hold."""

    inner: Node


@dataclass(frozen=True, slots=True)
class Flag:
    """A word alone."""

    word: str
    column: int = field(default=0, compare=False)  # counted from 1


@dataclass(frozen=True, slots=True)
class FieldComparison:
    """A field and a value; `in_time` where that has a unit of time."""

    name: str
    sign: str
    value: float | int | str
    in_time: bool = False
    column: int = field(default=0, compare=False)  # counted from 1


@dataclass(frozen=True, slots=True)
class Within:
    """A field and a range, ends included."""

    name: str
    low: float | int
    high: float | int
    in_time: bool = False
    column: int = field(default=0, compare=False)  # counted from 1


@dataclass(frozen=True, slots=True)
class Matches:
    """A field, as text, and a regular expression."""

    name: str
    pattern: Pattern
    column: int = field(default=0, compare=False)  # counted from 1


@dataclass(frozen=True, slots=True)
class HoldsBytes:
    """Bytes in a field, or in whatever the frame holds."""

    name: str | None
    pattern: bytes
    column: int = field(default=0, compare=False)  # counted from 1


Node: TypeAlias = And | Or | Not | Flag | FieldComparison | Within | Matches | HoldsBytes

TOKEN = re.compile(
    r"\s*(?:(?P<text>\"[^\"]*\")"
    r"|(?P<number>0[xX][0-9a-fA-F]+|0[bB][01]+|-?\d+(?:\.(?!\.)\d+)?(?:[eE][+-]?\d+)?)"
    r"|(?P<word>[A-Za-zµ_][A-Za-z0-9_µ]*)"
    r"|(?P<sign>\.\.|!=|<>|<=|>=|[=<>~()]))"
)
KEYWORDS = ("and", "or", "not", "between", "like_regex", "holds", "in", "contains")
SIGNS = ("=", "<>", "<", "<=", ">", ">=")
UNITS = ("s", "ms", "us", "µs", "ns")
LONGEST = 1000  # characters
MOST_TOKENS = 200  # keeps trees, which are walked by recursion, well within the interpreter's stack
DEEPEST = 60  # brackets and `not` within each other
LARGEST = 2**64  # more than any field holds


def parse(text: str) -> Node:
    """Read a whole search.

    Raises
    ------
    Misuse : it cannot be read; says at which character, and what was expected there.
    """
    reader = _Reader(text)
    node = reader.either()
    reader.expect_end()
    return node


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str
    text: str
    place: int


class _Reader:
    """The tokens of a search and how far they have been read."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = self.depth = 0
        self.tokens = self._tokens()

    def either(self) -> Node:
        """`A or B or …`."""
        node = self.both()
        while self._take("or"):
            node = Or(node, self.both())
        return node

    def both(self) -> Node:
        """`A and B and …`."""
        node = self.one()
        while self._take("and"):
            node = And(node, self.one())
        return node

    def one(self) -> Node:
        """A condition, a negated one, or one in brackets."""
        self.depth += 1
        if self.depth > DEEPEST:
            raise self._fault(f"at most {DEEPEST} brackets and `not` within each other")
        node = self._one()
        self.depth -= 1
        return node

    def _one(self) -> Node:
        if self._take("not"):
            return Not(self.one())
        if self._take("("):
            node = self.either()
            if not self._take(")"):
                raise self._fault("a closing bracket")
            return node
        if self._take("holds"):
            return HoldsBytes(None, self._bytes())
        self._refuse_earlier("")
        token = self._next("word", "a field, a word, `not`, `holds` or a bracket")
        return self._condition(token.text, token.place + 1)

    def expect_end(self) -> None:
        """Nothing may be left."""
        if self.at < len(self.tokens):
            raise self._fault("`and`, `or` or the end")

    def _refuse_earlier(self, name: str) -> None:
        """A spelling of an earlier version is refused with the one of today.

        Raises
        ------
        Misuse : the next word or sign is one such.
        """
        token = self.tokens[self.at] if self.at < len(self.tokens) else None
        if token is None or token.kind == "text" or token.text not in SEARCHES:
            return
        fault = SEARCHES[token.text].refusal(f"`{token.text}` is no longer used in searches", field=name)
        raise located(fault, self.text, token.place + 1)

    def _condition(self, name: str, column: int) -> Node:
        self._refuse_earlier(name)
        for sign in SIGNS:
            if self._take(sign):
                value = self._value()
                return FieldComparison(name, sign, value, self._has_unit(), column)
        if self._take("like_regex"):
            return Matches(name, self._pattern(), column)
        if self._take("holds"):
            return HoldsBytes(name, self._bytes(), column)
        if self._take("between"):
            low, low_unit = self._number("the lower end of a range"), self._has_unit()
            if not self._take("and"):
                raise self._fault("`and` and the upper end of the range")
            high, high_unit = self._number("the upper end of the range"), self._has_unit()
            if low_unit != high_unit and 0 not in (low, high):
                self.at -= 1
                raise self._fault("both ends with a unit, or both without")
            return Within(name, low, high, low_unit or high_unit, column)
        return Flag(name, column)

    def _has_unit(self) -> bool:
        """Whether what was read last is a unit of time."""
        return self.tokens[self.at - 1].kind == "word"

    def _value(self) -> float | int | str:
        if self.at < len(self.tokens) and self.tokens[self.at].kind == "text":
            return self._next("text", "").text[1:-1]
        return self._number("a number, or text in double quotes")

    def _number(self, expected: str) -> float | int:
        digits = self._next("number", expected).text
        if abs(_value(digits)) > LARGEST:
            self.at -= 1
            raise self._fault(f"a number of at most {LARGEST:.0e}")
        if self.at < len(self.tokens) and self.tokens[self.at].text in UNITS:
            self.at += 1
            return read_quantity(f"{digits} {self.tokens[self.at - 1].text}", unit="s").value
        return _value(digits)

    def _bytes(self) -> bytes:
        text = self._next("text", 'bytes in hex, in double quotes, such as "11 03"').text[1:-1]
        try:
            found = bytes.fromhex(text)
        except ValueError:
            found = b""
        if not found:
            self.at -= 1
            raise self._fault('pairs of hex digits, such as "11 03"')
        return found

    def _pattern(self) -> Pattern:
        text = self._next("text", "a regular expression in double quotes").text[1:-1]
        try:
            return read_pattern(text)
        except Misuse as fault:
            self.at -= 1
            raise self._fault(f"a regular expression ({fault.what})") from None

    def _take(self, text: str) -> bool:
        if self.at < len(self.tokens) and self.tokens[self.at].text == text and self.tokens[self.at].kind != "text":
            self.at += 1
            return True
        return False

    def _next(self, kind: str, expected: str) -> _Token:
        if self.at >= len(self.tokens) or self.tokens[self.at].kind != kind or self.tokens[self.at].text in KEYWORDS:
            raise self._fault(expected)
        self.at += 1
        return self.tokens[self.at - 1]

    def _tokens(self) -> list[_Token]:
        if len(self.text) > LONGEST:
            raise Misuse(f"a search of {len(self.text)} characters", expected=f"at most {LONGEST}")
        found: list[_Token] = []
        text, at = self.text.rstrip(), 0
        while at < len(text):
            match = TOKEN.match(text, at)
            if match is None or match.lastgroup is None:
                at += len(text[at:]) - len(text[at:].lstrip())
                signs = "words, numbers, text in double quotes, or one of = <> < <= > >= ( )"
                raise located(Misuse(f"`{text[at]}`", expected=signs), self.text, at + 1)
            if len(found) == MOST_TOKENS:
                many = Misuse(f"more than {MOST_TOKENS} words, numbers and signs", expected="fewer")
                raise located(many, self.text, at + 1)
            found.append(_Token(match.lastgroup, match[match.lastgroup], match.start(match.lastgroup)))
            at = match.end()
        return found

    def _fault(self, expected: str) -> Misuse:
        if self.at < len(self.tokens):
            token = self.tokens[self.at]
            return located(Misuse(f"`{token.text}`", expected=expected), self.text, token.place + 1)
        return located(Misuse("incomplete search", expected=expected), self.text, len(self.text) + 1)


def located(fault: Misuse, text: str, column: int) -> Misuse:
    """The same fault with its place in a search."""
    what = f"{fault.what} at character {column}"
    return Misuse(what, where=Place(f"search `{text}`", column=column), expected=fault.expected, do=fault.do)


def _value(digits: str) -> float | int:
    """A number as it is written; zeros in front of a decimal one mean nothing."""
    if re.fullmatch(r"-?\d+", digits):
        return int(digits) if len(digits) <= len(str(LARGEST)) else math.inf
    return int(digits, 0) if digits[:2].lower() in ("0x", "0b") else float(digits)
