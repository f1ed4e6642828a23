"""Integral and derivative over time."""

from __future__ import annotations

from wavewright.analysis.expressions.dimensions import dimension_of
from wavewright.analysis.expressions.functions import Operand, Taken, expression_function
from wavewright.analysis.signals.calculus import Derivative, Integral
from wavewright.analysis.signals.signals import Signal
from wavewright.errors import Misuse

_SECOND = dimension_of("s")


@expression_function(Taken("x"), result=lambda first: first * _SECOND)
def integral(x: Operand) -> Operand:
    """Integral over time from the first sample on, by the trapezium rule."""
    return Integral(channel(x, "integral"))


@expression_function(Taken("x"), result=lambda first: first / _SECOND)
def derivative(x: Operand) -> Operand:
    """Slope over time, from the samples on both sides."""
    return Derivative(channel(x, "derivative"))


def channel(operand: Operand, function: str) -> Signal:
    """What must be a channel and not a number.

    Raises
    ------
    Misuse : it is a number.
    """
    if isinstance(operand, Signal):
        return operand
    raise Misuse(f"`{function}` of the constant {operand:g}", expected="a channel")
