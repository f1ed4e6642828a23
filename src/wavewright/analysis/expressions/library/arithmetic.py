"""Functions of each sample by itself."""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from functools import reduce

import numpy as np

from wavewright.analysis.elementary import exponentials
from wavewright.analysis.expressions.functions import SAME, Operand, Taken, expression_function
from wavewright.analysis.signals.resampling import together
from wavewright.analysis.signals.signals import PointwiseSignal, Signal
from wavewright.waveform import Floats

# The names that an expression writes hide Python's own in this module, which uses none of these three.
__all__ = ["abs", "log10", "max", "min", "sqrt"]


@expression_function(Taken("x"))
def abs(x: Operand) -> Operand:
    """Magnitude of each sample."""
    return _pointwise(np.abs, x)


@expression_function(Taken("x"), result=lambda first: first ** Fraction(1, 2))
def sqrt(x: Operand) -> Operand:
    """Square root of each sample; a negative one becomes invalid."""
    return _pointwise(np.sqrt, x)


@expression_function(Taken("x", "1"))
def log10(x: Operand) -> Operand:
    """Decimal logarithm of each sample of a ratio; 0 and less become invalid."""
    return _pointwise(_log10, x)


@expression_function(Taken("x"), Taken("y", SAME), repeats=True)
def min(*operands: Operand) -> Operand:
    """The lowest of two or more channels or numbers, sample by sample."""
    return _pointwise(lambda *values: reduce(np.minimum, values), *operands)


@expression_function(Taken("x"), Taken("y", SAME), repeats=True)
def max(*operands: Operand) -> Operand:
    """The highest of two or more channels or numbers, sample by sample."""
    return _pointwise(lambda *values: reduce(np.maximum, values), *operands)


def _log10(x: Floats) -> Floats:
    return exponentials.log10(np.asarray(x, dtype=np.float64))


def _pointwise(function: Callable[..., Floats], *operands: Operand) -> Operand:
    if any(isinstance(operand, Signal) for operand in operands):
        return PointwiseSignal(function, together(operands))
    with np.errstate(all="ignore"):
        value = float(function(*operands))
    return value if math.isfinite(value) else math.nan
