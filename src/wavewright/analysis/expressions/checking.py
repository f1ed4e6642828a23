"""Checks of an expression before it is computed: names, functions, numbers of arguments, units."""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Mapping
from fractions import Fraction
from types import MappingProxyType

from wavewright.analysis.expressions.dimensions import NO_DIMENSION, Dimension
from wavewright.analysis.expressions.functions import Function, expression_functions, needed_dimension
from wavewright.analysis.expressions.syntax import Call, Constant, Name, Negation, Node, Operation, walk
from wavewright.analysis.expressions.tokens import fault
from wavewright.nearest import did_you_mean

_OPERATIONS: Mapping[str, Callable[[float, float], float | complex]] = MappingProxyType(
    {"+": operator.add, "-": operator.sub, "*": operator.mul, "/": operator.truediv, "**": operator.pow}
)


class UnitCheck:
    """Finds the dimension of every part of an expression, given those of the channels."""

    def __init__(self, text: str, channels: Mapping[str, Dimension]) -> None:
        self._text, self._channels = text, channels

    def dimension(self, node: Node) -> Dimension:
        """The dimension of a node.

        Raises
        ------
        Misuse : an unknown name, or units that do not go together; names the column.
        """
        if isinstance(node, Constant):
            return node.dimension
        if isinstance(node, Name):
            return self._channel(node)
        if isinstance(node, Negation):
            return self.dimension(node.operand)
        return self._operation(node) if isinstance(node, Operation) else self._call(node)

    def _channel(self, node: Name) -> Dimension:
        if node.name in self._channels:
            return self._channels[node.name]
        if node.name in expression_functions():
            signature = expression_functions()[node.name].signature
            raise fault(self._text, node.column, f"`{node.name}` is a function", expected=f"`{signature}`")
        raise fault(
            self._text,
            node.column,
            f"unknown channel `{node.name}`",
            expected=f"one of {', '.join(self._channels)}",
            do=did_you_mean(node.name, self._channels),
        )

    def _operation(self, node: Operation) -> Dimension:
        left, right = self.dimension(node.left), self.dimension(node.right)
        if node.sign == "*":
            return left * right
        if node.sign == "/":
            return left / right
        if node.sign == "**":
            return self._power(node, left, right)
        if left != right:
            raise fault(
                self._text,
                node.column,
                f"`{node.sign}` between {left.unit} and {right.unit}",
                expected="the same unit on both sides",
                do="give the number its unit" if NO_DIMENSION in (left, right) else "",
            )
        return left

    def _power(self, node: Operation, base: Dimension, exponent: Dimension) -> Dimension:
        if not exponent.is_ratio:
            raise fault(
                self._text, node.column, f"an exponent in {exponent.unit}", expected="a plain number after `**`"
            )
        if base.is_ratio:
            return base
        if any(isinstance(below, Name) for below in walk(node.right)):
            raise fault(
                self._text,
                node.column,
                f"{base.unit} to the power of a channel has no unit",
                expected="a constant exponent, or a base without unit",
            )
        return base ** Fraction(constant(node.right)).limit_denominator(64)

    def _call(self, node: Call) -> Dimension:
        function = self._function(node)
        dimensions = [self.dimension(argument) for argument in node.arguments]
        for position, (argument, found) in enumerate(zip(node.arguments, dimensions, strict=True)):
            parameter = function.parameter(position)
            needed = needed_dimension(parameter, dimensions[0])
            if needed is not None and found != needed:
                raise fault(
                    self._text,
                    argument.column,
                    f"`{parameter.name}` of `{function.name}` is in {found.unit}",
                    expected=f"{'a plain number' if needed.is_ratio else needed.unit}: `{function.signature}`",
                )
            if not parameter.is_channel and any(isinstance(below, Name) for below in walk(argument)):
                raise fault(
                    self._text,
                    argument.column,
                    f"`{parameter.name}` of `{function.name}` changes with a channel",
                    expected="a constant",
                )
        return function.result(dimensions[0])

    def _function(self, node: Call) -> Function:
        table = expression_functions()
        if node.function not in table:
            raise fault(
                self._text,
                node.column,
                f"unknown function `{node.function}`",
                expected=f"one of {', '.join(table)}",
                do=did_you_mean(node.function, table),
            )
        function = table[node.function]
        count, most = len(node.arguments), len(function.takes)
        if count < function.fewest or (count > most and not function.repeats):
            raise fault(
                self._text,
                node.column,
                f"`{function.name}` with {count} argument{'' if count == 1 else 's'}",
                expected=f"`{function.signature}`",
            )
        return function


def constant(node: Node) -> float:
    """The value of an expression without channels: exponents and settings."""
    if isinstance(node, Constant):
        return node.value
    if isinstance(node, Negation):
        return -constant(node.operand)
    if isinstance(node, Operation):
        return operate(node.sign, constant(node.left), constant(node.right))
    if isinstance(node, Call):
        value = expression_functions()[node.function].build(*map(constant, node.arguments))
        return value if isinstance(value, float) else math.nan
    return math.nan


def operate(sign: str, left: float, right: float) -> float:
    """One operation on numbers; NaN where it has no real value."""
    try:
        value = _OPERATIONS[sign](left, right)
    except (ZeroDivisionError, OverflowError):
        return math.nan
    return math.nan if isinstance(value, complex) else float(value)
