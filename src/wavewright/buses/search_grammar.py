"""The grammar of searches over frames: from text to a tree, with a message that says where it could not go on."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TypeAlias

from wavewright.errors import Misuse
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


@dataclass(frozen=True, slots=True)
class Comparison:
    """A field and a value."""

    field: str
    sign: str
    value: float | int | str


@dataclass(frozen=True, slots=True)
class Within:
    """A field and a range, ends included."""

    field: str
    low: float | int
    high: float | int


@dataclass(frozen=True, slots=True)
class Matches:
    """A field, as text, and a regular expression."""

    field: str
    pattern: re.Pattern[str]


@dataclass(frozen=True, slots=True)
class Contains:
    """Bytes in a field, or in whatever the frame holds."""

    field: str | None
    pattern: bytes


Node: TypeAlias = And | Or | Not | Flag | Comparison | Within | Matches | Contains

TOKEN = re.compile(
    r"\s*(?:(?P<text>\"[^\"]*\")"
    r"|(?P<number>0[xX][0-9a-fA-F]+|0[bB][01]+|-?\d+(?:\.(?!\.)\d+)?(?:[eE][+-]?\d+)?)"
    r"|(?P<word>[A-Za-zµ_][A-Za-z0-9_µ]*)"
    r"|(?P<sign>\.\.|!=|<=|>=|[=<>~()]))"
)
KEYWORDS = ("and", "or", "not", "in", "contains")
SIGNS = ("=", "!=", "<", "<=", ">", ">=")
UNITS = ("s", "ms", "us", "µs", "ns")


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
        self.tokens = self._tokens()
        self.at = 0

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
        if self._take("not"):
            return Not(self.one())
        if self._take("("):
            node = self.either()
            if not self._take(")"):
                raise self._fault("a closing bracket")
            return node
        if self._take("contains"):
            return Contains(None, self._bytes())
        token = self._next("word", "a field, a word, `not`, `contains` or a bracket")
        return self._condition(token.text)

    def expect_end(self) -> None:
        """Nothing may be left."""
        if self.at < len(self.tokens):
            raise self._fault("`and`, `or` or the end")

    def _condition(self, field: str) -> Node:
        for sign in SIGNS:
            if self._take(sign):
                return Comparison(field, sign, self._value())
        if self._take("~"):
            return Matches(field, self._pattern())
        if self._take("contains"):
            return Contains(field, self._bytes())
        if self._take("in"):
            low = self._number("the lower end of a range")
            if not self._take(".."):
                raise self._fault("`..` and the upper end of the range")
            return Within(field, low, self._number("the upper end of the range"))
        return Flag(field)

    def _value(self) -> float | int | str:
        if self.at < len(self.tokens) and self.tokens[self.at].kind == "text":
            return self._next("text", "").text[1:-1]
        return self._number("a number, or text in double quotes")

    def _number(self, expected: str) -> float | int:
        digits = self._next("number", expected).text
        if self.at < len(self.tokens) and self.tokens[self.at].text in UNITS:
            self.at += 1
            return read_quantity(f"{digits} {self.tokens[self.at - 1].text}", unit="s").value
        return int(digits, 0) if re.fullmatch(r"0[xXbB].*|-?\d+", digits) and not _is_padded(digits) else float(digits)

    def _bytes(self) -> bytes:
        text = self._next("text", 'bytes in hex, in double quotes, such as "11 03"').text[1:-1]
        try:
            return bytes.fromhex(text)
        except ValueError:
            self.at -= 1
            raise self._fault('pairs of hex digits, such as "11 03"') from None

    def _pattern(self) -> re.Pattern[str]:
        text = self._next("text", "a regular expression in double quotes").text[1:-1]
        try:
            return re.compile(text)
        except re.error as fault:
            self.at -= 1
            raise self._fault(f"a regular expression ({fault})") from None

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
        found, at = [], 0
        while self.text[at:].strip():
            match = TOKEN.match(self.text, at)
            if match is None or match.lastgroup is None:
                at += len(self.text[at:]) - len(self.text[at:].lstrip())
                raise Misuse(
                    f"search `{self.text}`: `{self.text[at]}` at character {at + 1}",
                    expected="words, numbers, text in double quotes, or one of = != < <= > >= ~ .. ( )",
                )
            found.append(_Token(match.lastgroup, match[match.lastgroup], match.start(match.lastgroup)))
            at = match.end()
        return found

    def _fault(self, expected: str) -> Misuse:
        if self.at < len(self.tokens):
            token = self.tokens[self.at]
            return Misuse(f"search `{self.text}`: `{token.text}` at character {token.place + 1}", expected=expected)
        return Misuse(f"search `{self.text}`: it ends too early", expected=expected)


def _is_padded(digits: str) -> bool:
    """A decimal number with zeros in front, which `int(…, 0)` does not take."""
    return re.fullmatch(r"-?0\d+", digits) is not None
