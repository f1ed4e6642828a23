"""Derived channels: an expression over waveforms, computed block by block into one new waveform."""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from wavewright.analysis.elementary.exponentials import powers
from wavewright.analysis.expressions.checking import UnitCheck, constant, operate
from wavewright.analysis.expressions.dimensions import dimension_of
from wavewright.analysis.expressions.functions import Operand, expression_functions
from wavewright.analysis.expressions.syntax import (
    CONSTANTS,
    Call,
    Constant,
    Name,
    Negation,
    Node,
    Operation,
    parse,
    walk,
)
from wavewright.analysis.expressions.tokens import fault
from wavewright.analysis.reading import Doubt, Finding
from wavewright.analysis.record.blocks import BLOCK
from wavewright.analysis.signals.resampling import together
from wavewright.analysis.signals.signals import ChannelSignal, PointwiseSignal, Signal
from wavewright.errors import Misuse
from wavewright.quantities import show_quantity
from wavewright.waveform import Floats, Waveform

_OPERATIONS: Mapping[str, Callable[[Floats, Floats], Floats]] = MappingProxyType(
    {"+": operator.add, "-": operator.sub, "*": operator.mul, "/": operator.truediv, "**": powers}
)


@dataclass(frozen=True, slots=True)
class Expression:
    """An expression that has been read; it names channels and does not know them yet."""

    text: str
    root: Node

    @property
    def names(self) -> tuple[str, ...]:
        """The channels it needs, in the order of their first use."""
        return tuple(dict.fromkeys(node.name for node in walk(self.root) if isinstance(node, Name)))

    @property
    def operands(self) -> tuple[Constant, ...]:
        """The constants that are computed with, from left to right: no exponents, no settings of functions, no pi."""
        return tuple(_operands(self.root))

    def with_constants(self, values: Mapping[int, float]) -> Expression:
        """The same with other constants, by their columns."""
        return replace(self, root=_replaced(self.root, values))

    def unit(self, units: Mapping[str, str]) -> str:
        """The unit of the result, given the units of the channels.

        Raises
        ------
        Misuse : an unknown channel, or units that do not go together; names the column.
        """
        if taken := [name for name in units if name in CONSTANTS]:
            raise Misuse(f"channel `{taken[0]}` has the name of a constant", do="rename the channel")
        return (
            UnitCheck(self.text, {name: dimension_of(unit) for name, unit in units.items()}).dimension(self.root).unit
        )


def parse_expression(text: str) -> Expression:
    """Read an expression such as `(high - low) / 0.1 ohm`.

    A number may have a tolerance, `0.1 ohm ± 1 %` or `0.1 ohm ± 2 mohm`, which budgets count; ± binds before all else.

    Raises
    ------
    Misuse : it cannot be read, calls no function that we have, names no channel, or states the tolerance of a setting;
        says the column.

    Examples
    --------
    >>> parse_expression("(high - low) / 0.1 ohm").names
    ('high', 'low')
    >>> parse_expression("(high - low) / 0.1 ohm").unit({"high": "V", "low": "V"})
    'A'
    """
    expression = Expression(text, parse(text))
    if not expression.names:
        raise fault(
            text, 1, "the expression has no channel", expected="at least one channel: a constant is not a waveform"
        )
    for node in walk(expression.root):
        if isinstance(node, Call) and node.function not in expression_functions():
            UnitCheck(text, {}).dimension(node)  # says what is wrong with it
    computed_with = {one.column for one in expression.operands}
    for node in walk(expression.root):
        if isinstance(node, Constant) and node.tolerance is not None and node.column not in computed_with:
            raise fault(
                text,
                node.column,
                f"a tolerance of a setting, `{node.text}`",
                expected="none: an exponent or a cut-off is computed with as it is written",
            )
    return expression


def _operands(node: Node) -> Iterator[Constant]:
    if isinstance(node, Constant):
        if node.text:
            yield node
    elif isinstance(node, Negation):
        yield from _operands(node.operand)
    elif isinstance(node, Operation):
        yield from _operands(node.left)
        if node.sign != "**":
            yield from _operands(node.right)
    elif isinstance(node, Call):
        function = expression_functions().get(node.function)
        for position, argument in enumerate(node.arguments):
            if function is not None and function.parameter(position).is_channel:
                yield from _operands(argument)


def _replaced(node: Node, values: Mapping[int, float]) -> Node:
    if isinstance(node, Constant):
        return replace(node, value=values[node.column]) if node.column in values else node
    if isinstance(node, Negation):
        return replace(node, operand=_replaced(node.operand, values))
    if isinstance(node, Operation):
        return replace(node, left=_replaced(node.left, values), right=_replaced(node.right, values))
    if isinstance(node, Call):
        return replace(node, arguments=tuple(_replaced(one, values) for one in node.arguments))
    return node


def derive(
    expression: str | Expression, channels: Mapping[str, Waveform], *, name: str = "", block_size: int = BLOCK
) -> Waveform:
    """The waveform of an expression over channels, with its unit computed.

    It is made in blocks; nothing but the result is as long as the record. An expression that only scales one channel
    keeps its codes and copies nothing. Channels that overlap in part give the part that they have in common.

    Parameters
    ----------
    channels : by the names that the expression uses; more do not matter.
    name : of the result; the expression itself where it is left out.
    block_size : samples; changes nothing but memory and speed.

    Raises
    ------
    Misuse : the expression cannot be read, names an unknown channel, or its units do not go together.
    NotMeasurable : the records do not suit: other sampling instants, too short, too slow for a cut-off.

    Examples
    --------
    >>> high = Waveform.from_volts([1.0, 1.2], interval=1e-6)
    >>> low = Waveform.from_volts([0.9, 1.0], interval=1e-6)
    >>> coil = derive("(high - low) / 0.1 ohm", {"high": high, "low": low}, name="coil")
    >>> coil.unit, coil.values().round(9).tolist()
    ('A', [1.0, 2.0])
    """
    read = parse_expression(expression) if isinstance(expression, str) else expression
    unit = read.unit({key: wave.unit for key, wave in channels.items()})
    signal = _Build(channels, block_size).operand(read.root)
    if not isinstance(signal, Signal):
        raise fault(read.text, 1, "the result is a constant", expected="a result that changes with a channel")
    return signal.waveform(unit=unit, name=name or read.text)


def filter_findings(expression: Expression, channels: Mapping[str, Waveform]) -> tuple[Finding, ...]:
    """`not_settled` where a filter in an expression needs longer to settle than the record is long."""
    signal = _Build(channels, BLOCK).operand(expression.root)
    if not isinstance(signal, Signal) or signal.settling_time <= signal.length * signal.interval:
        return ()
    needed, lasts = (show_quantity(time, "s") for time in (signal.settling_time, signal.length * signal.interval))
    return (Finding(Doubt.NOT_SETTLED, f"a filter needs {needed} to settle, and the record lasts {lasts}"),)


class _Build:
    """Turns a checked tree into signals; what is constant becomes a number at once."""

    def __init__(self, channels: Mapping[str, Waveform], block_size: int) -> None:
        self._signals = {key: ChannelSignal(wave, block_size=block_size) for key, wave in channels.items()}

    def operand(self, node: Node) -> Operand:
        if isinstance(node, Constant):
            return node.value
        if isinstance(node, Name):
            return self._signals[node.name]
        if isinstance(node, Negation):
            return self._operation("*", -1.0, self.operand(node.operand))
        if isinstance(node, Operation):
            return self._operation(node.sign, self.operand(node.left), self.operand(node.right))
        function = expression_functions()[node.function]
        arguments = [
            self.operand(argument) if function.parameter(position).is_channel else constant(argument)
            for position, argument in enumerate(node.arguments)
        ]
        return function.build(*arguments)

    @staticmethod
    def _operation(sign: str, left: Operand, right: Operand) -> Operand:
        if isinstance(left, float) and isinstance(right, float):
            return operate(sign, left, right)
        scaled = _scaled(sign, left, right)
        return scaled if scaled is not None else PointwiseSignal(_OPERATIONS[sign], together((left, right)))


def _scaled(sign: str, left: Operand, right: Operand) -> ChannelSignal | None:
    """A channel and a number as a channel with another scale, where the operation allows it."""
    if isinstance(left, ChannelSignal) and isinstance(right, float) and np.isfinite(right):
        if sign == "*" and right:
            return left.scaled(factor=right)
        if sign == "/" and right:
            return left.scaled(factor=1 / right)
        if sign in ("+", "-"):
            return left.scaled(shift=right if sign == "+" else -right)
    if isinstance(right, ChannelSignal) and isinstance(left, float) and np.isfinite(left):
        if sign == "*" and left:
            return right.scaled(factor=left)
        if sign in ("+", "-"):
            return right.scaled(factor=1.0 if sign == "+" else -1.0, shift=left)
    return None
