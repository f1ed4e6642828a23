"""Expressions as trees, and the parser that builds them.

    sum     = product { ("+" | "-") product }
    product = signed { ("*" | "/") signed }
    signed  = [ "+" | "-" ] signed | power
    power   = atom [ "**" signed ]
    atom    = number [ unit ] [ "±" number [ unit ] ] | name | name "(" sum { "," sum } ")" | "(" sum ")"

As in mathematics, −x ** 2 is −(x ** 2), and powers are taken from the right. Written by hand, for messages that say
what can be written at a column, in the words of measurements.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from types import MappingProxyType

from wavewright.analysis.expressions.dimensions import NO_DIMENSION, Dimension, known_units, read_symbol
from wavewright.analysis.expressions.tokens import Token, TokenKind, fault, tokens
from wavewright.errors import Misuse

CONSTANTS = MappingProxyType({"pi": math.pi})
RELATIVE = ("%", "ppm")
DEEPEST = 60  # levels of parentheses, signs and powers


@dataclass(frozen=True, slots=True)
class Constant:
    """A constant in SI units.

    Parameters
    ----------
    tolerance : how far the true value may lie from it, in its unit; None where none is stated.
    text : as written, with its tolerance.
    """

    value: float
    dimension: Dimension
    column: int
    tolerance: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class Name:
    """A channel."""

    name: str
    column: int


@dataclass(frozen=True, slots=True)
class Negation:
    """The negative of something."""

    operand: Node
    column: int


@dataclass(frozen=True, slots=True)
class Operation:
    """Two operands and one of + - * / **; `column` is that of the sign."""

    sign: str
    left: Node
    right: Node
    column: int


@dataclass(frozen=True, slots=True)
class Call:
    """A function of arguments."""

    function: str
    arguments: tuple[Node, ...]
    column: int


Node = Constant | Name | Negation | Operation | Call


def parse(text: str) -> Node:
    """The tree of an expression.

    Raises
    ------
    Misuse : it cannot be read; names the column and what could be there.
    """
    parser = _Parser(text)
    root = parser.sum()
    if parser.next.kind is not TokenKind.END:
        raise parser.unexpected("an operator, or the end")
    return root


def walk(node: Node) -> Iterator[Node]:
    """A node and everything below it, from left to right."""
    yield node
    below: tuple[Node, ...] = ()
    if isinstance(node, Negation):
        below = (node.operand,)
    elif isinstance(node, Operation):
        below = (node.left, node.right)
    elif isinstance(node, Call):
        below = node.arguments
    for child in below:
        yield from walk(child)


class _Parser:
    """Recursive descent, one token ahead."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._tokens = tokens(text)
        self._at = 0
        self._depth = 0

    @property
    def next(self) -> Token:
        return self._tokens[self._at]

    def _take(self) -> Token:
        token = self.next
        self._at += token.kind is not TokenKind.END
        return token

    def _accept(self, *signs: str) -> Token | None:
        return self._take() if self.next.kind is TokenKind.SIGN and self.next.text in signs else None

    def unexpected(self, expected: str) -> Misuse:
        stood = f"`{self.next.text}`" if self.next.text else "the end"
        return fault(self.text, self.next.column, f"{stood} is not expected here", expected=expected)

    def sum(self) -> Node:
        left = self._product()
        while sign := self._accept("+", "-"):
            left = Operation(sign.text, left, self._product(), sign.column)
        return left

    def _product(self) -> Node:
        left = self._signed()
        while sign := self._accept("*", "/"):
            left = Operation(sign.text, left, self._signed(), sign.column)
        return left

    def _signed(self) -> Node:
        self._depth += 1  # every way down leads through here
        if self._depth > DEEPEST:
            raise fault(self.text, self.next.column, "nested too deeply", expected=f"at most {DEEPEST} levels")
        if sign := self._accept("+", "-"):
            operand = self._signed()
            node: Node = Negation(operand, sign.column) if sign.text == "-" else operand
        else:
            node = self._power()
        self._depth -= 1
        return node

    def _power(self) -> Node:
        base = self._atom()
        if sign := self._accept("**"):
            return Operation("**", base, self._signed(), sign.column)
        return base

    def _atom(self) -> Node:
        if self.next.kind is TokenKind.NUMBER:
            return self._number(self._take())
        if self.next.kind is TokenKind.NAME:
            name = self._take()
            if self._accept("("):
                return Call(name.text, self._arguments(), name.column)
            if name.text in CONSTANTS:
                return Constant(CONSTANTS[name.text], NO_DIMENSION, name.column)
            return Name(name.text, name.column)
        if self._accept("("):
            inside = self.sum()
            self._close()
            return inside
        raise self.unexpected("a number, a channel, a function or `(`")

    def _arguments(self) -> tuple[Node, ...]:
        if self._accept(")"):
            return ()
        arguments = [self.sum()]
        while self._accept(","):
            arguments.append(self.sum())
        self._close()
        return tuple(arguments)

    def _close(self) -> None:
        if not self._accept(")"):
            raise self.unexpected("an operator, `,` or `)`")

    def _number(self, token: Token) -> Constant:
        value, dimension = self._quantity(token.text, token.unit, token)
        words = f"{token.text} {token.unit}".rstrip()
        if not token.tolerance:
            return Constant(value, dimension, token.column, text=words)
        tolerance, of = self._quantity(token.tolerance, token.tolerance_unit, token)
        words += f" ± {token.tolerance} {token.tolerance_unit}".rstrip()
        is_relative = token.tolerance_unit in RELATIVE
        if is_relative and token.unit in RELATIVE:
            raise fault(
                self.text,
                token.column,
                f"`{words}` can be read in two ways",
                expected=f"a plain number, such as `{value:g} ± {tolerance * value:g}` or `{value:g} ± {tolerance:g}`",
            )
        if not is_relative and of != dimension:
            raise fault(
                self.text,
                token.column,
                f"`{words}`: a tolerance in {of.unit} of a number in {dimension.unit}",
                expected=f"a tolerance in {'%' if dimension.is_ratio else f'{dimension.unit} or %'}",
            )
        return Constant(value, dimension, token.column, abs(value) * tolerance if is_relative else tolerance, words)

    def _quantity(self, number: str, unit: str, token: Token) -> tuple[float, Dimension]:
        """A number with its unit, in SI units."""
        power, dimension = 0, NO_DIMENSION
        if unit:
            if (found := read_symbol(unit)) is None:
                raise fault(
                    self.text,
                    token.column,
                    f"`{number} {unit}`: no unit `{unit}`",
                    expected=f"one of {', '.join(known_units())}, % or ppm, with a prefix such as m, u, k",
                    do="write `*` between a number and a channel",
                )
            power, dimension = found
        mantissa, _, exponent = number.lower().partition("e")
        value = float(f"{mantissa}e{int(exponent or 0) + power}")  # by its digits: 0.1 m is 1e-4 and no sum of errors
        if math.isinf(value):
            raise fault(self.text, token.column, f"`{number}` is too large", expected="at most about 1.8e308")
        return value, dimension
