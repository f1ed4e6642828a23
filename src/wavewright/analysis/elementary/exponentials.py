"""Exponential, logarithms and powers.

Of one number they are computed without NumPy, which need not even be loaded.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TypeVar

import numpy as np

from wavewright.waveform import Floats

Number = TypeVar("Number", float, Floats)

# ln 2 in two parts: a whole number of up to 11 bits times the first is exact
_LN2_HIGH = float.fromhex("0x1.62e42fef00000p-1")
_LN2_LOW = float.fromhex("0x1.473de6af278edp-34")
_LOG10_2_HIGH = float.fromhex("0x1.3441350900000p-2")
_LOG10_2_LOW = float.fromhex("0x1.ef3fde623e256p-35")
# 1/ln 2 and 1/ln 10
_TWOS_OF_ONE, _LOG10_E = float.fromhex("0x1.71547652b82fep+0"), float.fromhex("0x1.bcb7b1526e50ep-2")
_LARGEST, _SMALLEST = 710.0, -746.0  # beyond them an exponential is infinite, or 0
_ROOT_OF_HALF = math.sqrt(0.5)
# Taylor's series of (eˣ − 1 − x)/x² for |x| ≤ ½·ln 2, and that of artanh x/x − 1 over x² for |x| ≤ 0.172: the first
# term left out is below 2**-56
_OF_EXPONENTIAL = [1 / math.factorial(k + 2) for k in range(13)]
_OF_LOGARITHM = [1 / (2 * k + 3) for k in range(11)]
_POWERS_OF_TEN = tuple(float(f"1e{k}") for k in range(-323, 309))


def exp(x: Number) -> Number:
    """eˣ, to 2**-51 of it; infinite and 0 where float64 ends."""
    # a product with an exact power of two is rounded alike everywhere, near 0 too; two, since one may not exist
    if not isinstance(x, (float, int)) and isinstance(x, np.ndarray):
        given = np.clip(np.asarray(x, dtype=np.float64), _SMALLEST, _LARGEST)
        twos = np.rint(given * _TWOS_OF_ONE)
        with np.errstate(all="ignore"):
            whole = np.nan_to_num(twos).astype(np.int32)
            first: Floats = np.ldexp(1.0, whole // 2)
            rest: Floats = np.ldexp(1.0, whole - whole // 2)
            return _near_one(given - twos * _LN2_HIGH, twos * _LN2_LOW) * first * rest
    if math.isnan(x):
        return math.nan
    one = min(max(float(x), _SMALLEST), _LARGEST)
    two = round(one * _TWOS_OF_ONE)
    made = _near_one(one - two * _LN2_HIGH, two * _LN2_LOW)
    return made * math.ldexp(1.0, two // 2) * math.ldexp(1.0, two - two // 2)


def expm1(x: Number) -> Number:
    """eˣ − 1, to its own last digits near 0 too."""
    if not isinstance(x, (float, int)) and isinstance(x, np.ndarray):
        near = np.where(np.abs(x) < 0.3, x, 0.0)
        return np.where(np.abs(x) < 0.3, near + near * near * _series(_OF_EXPONENTIAL, near), exp(x) - 1)
    return x + x * x * _series(_OF_EXPONENTIAL, x) if abs(x) < 0.3 else exp(x) - 1


def log(x: Number) -> Number:
    """The natural logarithm, to 2**-51 of it or of 1; −∞ at 0, not a number below."""
    twos, rest = _parts(x)
    return _outside(x, twos * _LN2_HIGH + (twos * _LN2_LOW + rest))


def log10(x: Number) -> Number:
    """The decimal logarithm; that of a power of ten is a whole number exactly."""
    twos, rest = _parts(x)
    found = twos * _LOG10_2_HIGH + (twos * _LOG10_2_LOW + rest * _LOG10_E)
    if not isinstance(x, (float, int)) and isinstance(x, np.ndarray):
        whole = np.rint(found)
        return _outside(x, np.where(_powers_of_ten()[(whole + 323).astype(np.int64)] == x, whole, found))
    nearest = round(found)
    return _outside(x, float(nearest) if _POWERS_OF_TEN[nearest + 323] == x else found)


def log2(x: float) -> float:
    """The logarithm to base 2; that of a power of two is a whole number exactly."""
    twos, rest = _parts(x)
    return _outside(x, twos + rest * _TWOS_OF_ONE)


def square(x: Number) -> Number:
    """x·x; `x ** 2` of one number asks the system's library, which in 1 of 1000 cases rounds another way."""
    return x * x


def power_of_ten(exponent: int) -> float:
    """The number nearest to 10 to a whole power, −323 … 308; beyond, the last of them."""
    return _POWERS_OF_TEN[min(max(exponent + 323, 0), len(_POWERS_OF_TEN) - 1)]


@cache
def _powers_of_ten() -> Floats:
    return np.array(_POWERS_OF_TEN)


def power(x: float, exponent: float) -> float:
    """x to a power, as `powers` has it."""
    is_simple = abs(exponent) <= 64 and float(2 * exponent).is_integer()
    if 0 < x < math.inf and math.isfinite(exponent) and not is_simple:
        return exp(exponent * log(x))
    return float(powers(np.array([x]), exponent)[0])


def powers(x: Floats | float, exponent: Floats | float) -> Floats:
    """x to a power: by products for whole exponents up to 64, by square roots for halves; else from the logarithm.

    Not a number where a number below 0 has an exponent that is not whole.
    """
    base, exponents = np.atleast_1d(np.asarray(x, np.float64)), np.atleast_1d(np.asarray(exponent, np.float64))
    with np.errstate(all="ignore"):
        if exponents.size == 1 and abs(exponents[0]) <= 64 and float(2 * exponents[0]).is_integer():
            return _whole_or_half(base, float(exponents[0]))
        found = exp(exponents * log(np.abs(base)))
        is_whole, is_odd = np.rint(exponents) == exponents, np.abs(np.fmod(exponents, 2)) == 1
        signed = np.where((base < 0) & is_odd, -found, found)
        return np.where((base < 0) & ~is_whole, np.nan, np.where(exponents == 0, 1.0, signed))


def _whole_or_half(x: Floats, exponent: float) -> Floats:
    product, squared, left = np.ones_like(x), x, int(abs(exponent))
    while left:
        product = product * squared if left % 2 else product
        squared, left = squared * squared, left // 2
    if not exponent.is_integer():
        product = product * np.sqrt(x)
    return 1 / product if exponent < 0 else product


def _near_one(high: Number, low: Number) -> Number:
    """The exponential of high − low, a small number in two parts."""
    x = high - low
    lost = (high - x) - low
    return 1 + (x + (lost + x * x * _series(_OF_EXPONENTIAL, x)))


def _parts(x: Number) -> tuple[Number, Number]:
    """A power of two, and the natural logarithm of what is left, between ½·√2 and √2."""
    if not isinstance(x, (float, int)) and isinstance(x, np.ndarray):
        mantissas, exponents = np.frexp(np.where((x > 0) & np.isfinite(x), x, 1.0))
        is_small = mantissas < _ROOT_OF_HALF
        scaled = np.where(is_small, 2 * mantissas, mantissas)
        return (exponents - is_small).astype(np.float64), _log_near_one(scaled)
    mantissa, exponent = math.frexp(x if 0 < x < math.inf else 1.0)
    is_less = mantissa < _ROOT_OF_HALF
    return float(exponent - is_less), _log_near_one(2 * mantissa if is_less else mantissa)


def _log_near_one(x: Number) -> Number:
    step = x - 1
    place = step / (2 + step)
    squared = place * place
    # twice the place is step − step·place: so the first digits of the step are kept
    return step - place * (step - 2 * squared * _series(_OF_LOGARITHM, squared))


def _outside(x: Number, found: Number) -> Number:
    """Logarithms of what has none."""
    if not isinstance(x, (float, int)) and isinstance(x, np.ndarray):
        return np.where(x > 0, np.where(np.isposinf(x), np.inf, found), np.where(x == 0, -np.inf, np.nan))
    if x > 0:
        return math.inf if x == math.inf else float(found)
    return -math.inf if x == 0 else math.nan


def _series(coefficients: list[float], x: Number) -> Number:
    total = 0 * x + coefficients[-1]
    for coefficient in coefficients[-2::-1]:
        total = total * x + coefficient
    return total
