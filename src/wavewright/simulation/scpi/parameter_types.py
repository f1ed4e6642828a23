"""What a setting takes and how it is answered: numbers with units and limits, words, Booleans, strings, lists of them.

SCPI-99 volume 1, clauses 7.1 to 7.4, and IEEE 488.2-1992, 7.7.3 and 8.7 †.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol, SupportsFloat, cast

from wavewright.simulation.scpi.elements import Element, Form
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.headers import forms, short_form

Value = float | int | bool | str | tuple[str, ...]

INFINITY = 9.9e37  # stands for infinity in answers, SCPI-99 volume 1, 7.2.1
NOT_A_NUMBER = 9.91e37
# MA is mega and M is milli: capital and small letters never tell them apart. Longer names first.
_MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "MA": 1e6, "T": 1e12, "G": 1e9, "K": 1e3, "M": 1e-3,
    "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip
_MEGA_AFTER_ALL = {"MHZ": 1e6, "MOHM": 1e6}  # the two exceptions of IEEE 488.2, 7.7.3
_REFUSAL_BY_FORM = {Form.NUMBER: -128, Form.WORD: -148, Form.STRING: -158, Form.BLOCK: -168, Form.EXPRESSION: -178}


class ParameterType(Protocol):
    """How one parameter is read from a message and written into an answer."""

    def read(self, element: Element) -> Value:
        """The value that the element stands for; ScpiError if there is none."""

    def write(self, value: Value) -> str:
        """The value as response data."""

    def limit(self, word: str) -> Value:
        """The value of MINimum, MAXimum or DEFault; ScpiError where there is none."""


def suffix_factor(suffix: str, unit: str) -> float:
    """What a number with this suffix is multiplied by to be in `unit` (`V`, `S`, `HZ`, `OHM`, … or none).

    >>> suffix_factor("MV", "V"), suffix_factor("MAV", "V"), suffix_factor("MHZ", "HZ")
    (0.001, 1000000.0, 1000000.0)
    """
    unit = unit.upper()
    if not suffix:
        return 1.0
    if not unit:
        raise ScpiError(-138, suffix)
    if suffix in _MEGA_AFTER_ALL and suffix.endswith(unit):
        return _MEGA_AFTER_ALL[suffix]
    if suffix == unit:
        return 1.0
    for multiplier, factor in _MULTIPLIERS.items():
        if suffix == multiplier + unit:
            return factor
    raise ScpiError(-131, suffix)


def number_text(value: float) -> str:
    """A number as NR3: sign where negative, a point, an exponent with its sign."""
    if math.isnan(value):
        return "9.91E+37"
    if math.isinf(value):
        return "9.9E+37" if value > 0 else "-9.9E+37"
    mantissa, exponent = f"{value:.9E}".split("E")
    mantissa = mantissa.rstrip("0")
    return f"{mantissa}{'0' if mantissa.endswith('.') else ''}E{int(exponent):+03d}"


def _refuse(element: Element, wanted: Form) -> ScpiError:
    if wanted is Form.NUMBER and element.form is Form.STRING:
        return ScpiError(-104, "a number is required")
    return ScpiError(_REFUSAL_BY_FORM[element.form], f"{wanted} is required")


@dataclass(frozen=True, slots=True)
class NumericParameter:
    """A number in `unit` between two limits. `steps`: the values that exist; what lies between goes to the next one up.

    `rounding`: "up" takes the next larger step (a range must hold the signal), "down" the next smaller, "nearest" the
    nearest by ratio. `fuzz`: outside the limits is taken as the limit, in silence, as some instruments do.
    """

    unit: str = ""
    minimum: float = -math.inf
    maximum: float = math.inf
    default: float = 0.0
    steps: tuple[float, ...] = ()
    rounding: str = "up"
    resolution: float = 0.0
    is_integer: bool = False
    fuzz: bool = False
    digits: int = 0  # significant ones that the instrument keeps; 0: all

    def read(self, element: Element) -> float:
        """A number, or one of the words that stand for one."""
        if element.form is Form.WORD:
            return self.limit(element.text)
        if element.form is not Form.NUMBER:
            raise _refuse(element, Form.NUMBER)
        value = element.number * suffix_factor(element.suffix, self.unit)
        return self.nearest(value)

    def nearest(self, value: float) -> float:
        """The legal value that a value becomes; ScpiError −222 outside the limits."""
        slack = 1e-9 * max(abs(self.minimum), abs(self.maximum)) if math.isfinite(self.maximum) else 0.0
        if not self.minimum - slack <= value <= self.maximum + slack:
            if not self.fuzz:
                raise ScpiError(
                    -222, f"{number_text(value)}, {number_text(self.minimum)} to {number_text(self.maximum)}"
                )
            value = min(max(value, self.minimum), self.maximum)
        if self.steps:
            value = self._step(value)
        elif self.resolution:
            value = round(value / self.resolution) * self.resolution
        if self.digits:
            value = float(f"{value:.{self.digits - 1}e}")
        return float(round(value)) if self.is_integer else value

    def _step(self, value: float) -> float:
        if self.rounding == "nearest":
            return min(self.steps, key=lambda step: abs(math.log(step / value)) if value > 0 else step)
        if self.rounding == "down":
            return self.steps[max(0, bisect.bisect_right(self.steps, value * (1 + 1e-9)) - 1)]
        return self.steps[min(bisect.bisect_left(self.steps, value * (1 - 1e-9)), len(self.steps) - 1)]

    def limit(self, word: str) -> float:
        """MINimum, MAXimum, DEFault, INFinity and NINFinity."""
        if word in forms("MINimum"):
            return self.steps[0] if self.steps else self.minimum
        if word in forms("MAXimum"):
            return self.steps[-1] if self.steps else self.maximum
        if word in forms("DEFault"):
            return self.default
        if word in forms("INFinity"):
            return self.nearest(math.inf)
        if word in forms("NINFinity"):
            return self.nearest(-math.inf)
        raise ScpiError(-141, word)

    def write(self, value: Value) -> str:
        """NR1 for whole numbers, NR3 for the others."""
        number = float(cast("SupportsFloat", value))
        return str(int(number)) if self.is_integer else number_text(number)


@dataclass(frozen=True, slots=True)
class BooleanParameter:
    """ON, OFF, or a number that is rounded; answered 1 or 0. SCPI-99 volume 1, 7.3."""

    default: bool = False

    def read(self, element: Element) -> bool:
        """A Boolean."""
        if element.form is Form.WORD:
            return bool(self.limit(element.text))
        if element.form is not Form.NUMBER:
            raise _refuse(element, Form.NUMBER)
        if element.suffix:
            raise ScpiError(-138, element.suffix)
        return round(element.number) != 0

    def limit(self, word: str) -> bool:
        """ON and OFF, and DEFault."""
        if word in ("ON", "OFF"):
            return word == "ON"
        if word in forms("DEFault"):
            return self.default
        raise ScpiError(-141, word)

    def write(self, value: Value) -> str:
        """1 or 0."""
        return "1" if value else "0"


@dataclass(frozen=True, slots=True)
class WordParameter:
    """One of some words, in short or long form; kept and answered in short form. `INTernal<n>` takes 1 to `most`."""

    words: tuple[str, ...]
    default: str = ""
    most: int = 1

    def read(self, element: Element) -> str:
        """A word."""
        if element.form is not Form.WORD:
            raise _refuse(element, Form.WORD)
        return self.limit(element.text)

    def limit(self, word: str) -> str:
        """The word in short form."""
        if word in forms("DEFault") and self.default:
            return self.default
        for pattern in self.words:
            name = pattern.removesuffix("<n>")
            if word in forms(name) and name == pattern:
                return short_form(name)
            stem = word.rstrip("0123456789")
            if name != pattern and stem in forms(name):
                number = int(word[len(stem) :] or 1)
                if not 1 <= number <= self.most:
                    raise ScpiError(-224, word)
                return f"{short_form(name)}{number}"
        raise ScpiError(-141, f"{word}, not one of {' '.join(self.words)}")

    def write(self, value: Value) -> str:
        """The short form in capitals."""
        return str(value)


@dataclass(frozen=True, slots=True)
class TextParameter:
    """A string of at most `longest` characters."""

    default: str = ""
    longest: int = 255

    def read(self, element: Element) -> str:
        """A string."""
        if element.form is not Form.STRING:
            raise ScpiError(-104, f"{Form.STRING} is required, in quotes")
        if len(element.text) > self.longest:
            raise ScpiError(-223, f"{len(element.text)} characters, at most {self.longest}")
        return element.text

    def limit(self, word: str) -> str:
        """There is none."""
        raise ScpiError(-148, word)

    def write(self, value: Value) -> str:
        """In double quotes, a quote inside doubled."""
        return quoted(str(value))


def quoted(text: str) -> str:
    """String response data, IEEE 488.2-1992, 8.7.8."""
    return '"' + text.replace('"', '""') + '"'


def definite_block(content: bytes | memoryview) -> bytes:
    """Definite length arbitrary block, IEEE 488.2-1992, 8.7.9.

    >>> definite_block(b"abc")
    b'#13abc'
    """
    count = str(len(content))
    return b"".join((f"#{len(count)}{count}".encode("ascii"), content))


def only(elements: Sequence[Element], fewest: int, most: int) -> None:
    """Refuse too few or too many parameters: −109, −108."""
    if len(elements) < fewest:
        raise ScpiError(-109)
    if len(elements) > most:
        raise ScpiError(-108)
