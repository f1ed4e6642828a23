"""How a data sheet states limits: as a share of the range, as a tolerance, and what is meant by "limit"."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.errors import Misuse
from wavewright.quantities import read_interval, read_quantity

LEVEL_UNITS = ("V", "A", "W")


class RangeLimit(NamedTuple):
    """A limit of error that is a share of the range, a fixed value, or the sum of both.

    Parameters
    ----------
    share : of the full scale, peak to peak, of the range in use; 0 … 1.
    fixed : in the unit of the waveform.
    """

    share: float = 0.0
    fixed: float = 0.0

    @classmethod
    def read(cls, text: object, *, units: Sequence[str] = LEVEL_UNITS) -> RangeLimit:
        """From `0.5 % of range + 1 mV`, either part alone, in either order; from a number, which is fixed.

        Raises
        ------
        Misuse : it is none of them.
        """
        if isinstance(text, RangeLimit):
            return text
        if isinstance(text, int | float) and not isinstance(text, bool):
            return cls(0.0, _not_negative(float(text), text))
        share, fixed = 0.0, 0.0
        for part in str(text).split("+") if isinstance(text, str) else [text]:
            words = str(part).strip()
            if words.endswith("of range"):
                share += _below_one(read_quantity(words.removesuffix("of range").strip(), unit="1").value, text)
            elif words.endswith(("%", "ppm")):
                raise Misuse(f"`{text}` does not say of what", expected=f"such as `{words} of range`, or a fixed value")
            elif words:
                fixed += _not_negative(_level(words, units), text)
            else:
                raise Misuse(f"`{text}` is not a limit of error", expected="such as `0.5 % of range + 1 mV`")
        return cls(share, fixed)

    def limit(self, full_scale: float | None) -> float | None:
        """The limit with this range in use; None where it is a share of a range that is not known."""
        if not self.share:
            return self.fixed
        return None if full_scale is None else self.share * full_scale + self.fixed


class StatedBandwidth(NamedTuple):
    """A bandwidth, Hz, and how far the true one may lie from it, as a ratio; None where that is not stated."""

    value: float
    tolerance: float | None = None

    @classmethod
    def read(cls, text: object) -> StatedBandwidth:
        """From `100 MHz ± 10 %`, `100 MHz`, or a number in Hz; infinite says that no edge is too fast for it.

        Raises
        ------
        Misuse : it is none of them, or a tolerance leaves nothing of it.
        """
        if isinstance(text, StatedBandwidth):
            return text
        if isinstance(text, int | float) and not isinstance(text, bool):
            return cls(_above_zero(float(text), text))
        words = str(text).replace("+/-", "±").replace("+-", "±")
        if "±" not in words:
            return cls(_above_zero(read_quantity(words, unit="Hz").value, text))
        ends = read_interval(words, unit="Hz")
        middle = _above_zero(read_quantity(words.partition("±")[0].strip(), unit="Hz").value, text)
        tolerance = (ends.high - ends.low) / 2 / middle
        if not tolerance < 1:
            raise Misuse(f"`{text}` as a bandwidth", expected="a tolerance that is smaller than the bandwidth")
        return cls(middle, tolerance)


@dataclass(frozen=True, slots=True)
class LimitMeaning:
    """What a stated limit ± a says about the distribution of the error.

    `rectangular`: the error lies within ± a, anywhere (JCGM 100:2008, 4.3.7 †), the usual reading of a data sheet;
    `standard`: a is a standard uncertainty; `expanded`: a is an expanded uncertainty with the coverage factor `factor`.
    """

    word: str = "rectangular"
    factor: float = 1.0

    @classmethod
    def read(cls, stated: object) -> LimitMeaning:
        """From `rectangular`, `standard` or `{expanded: 2}`.

        Raises
        ------
        Misuse : it is none of them.
        """
        if isinstance(stated, LimitMeaning):
            return stated
        if isinstance(stated, Mapping) and set(stated) == {"expanded"}:
            factor = stated["expanded"]
            number = read_quantity(factor, unit="").value if isinstance(factor, str) else factor
            if isinstance(number, int | float) and not isinstance(number, bool) and 0 < number < math.inf:
                return cls("expanded", float(number))
        if stated in ("rectangular", "standard"):
            return cls(str(stated))
        raise Misuse(
            f"`limits` is `{stated}`",
            expected="`rectangular`, `standard`, or `{expanded: 2}` with the coverage factor",
        )

    def standard(self, limit: float) -> float:
        """The standard uncertainty that a limit means."""
        return limit / math.sqrt(3) if self.word == "rectangular" else limit / self.factor

    @property
    def distribution(self) -> Distribution:
        """The shape that goes with it."""
        return Distribution.RECTANGULAR if self.word == "rectangular" else Distribution.NORMAL

    @property
    def stated(self) -> str | dict[str, float]:
        """As a file states it."""
        return {"expanded": self.factor} if self.word == "expanded" else self.word


def ratio_limit(stated: object, name: str) -> float:
    """A limit that is a ratio: `1.5 %`, `10 ppm`, or a number.

    Raises
    ------
    Misuse : it is none, negative, or 100 % and more.
    """
    return _below_one(_number(stated, unit="1", name=name), stated)


def time_limit(stated: object, name: str) -> float:
    """A limit that is a time: `200 ps`, or a number in s.

    Raises
    ------
    Misuse : it is none, or negative.
    """
    return _not_negative(_number(stated, unit="s", name=name), stated)


def _number(stated: object, *, unit: str, name: str) -> float:
    if isinstance(stated, str):
        return read_quantity(stated, unit=unit).value
    if isinstance(stated, bool) or not isinstance(stated, int | float) or not math.isfinite(stated):
        raise Misuse(f"`{name}` is `{stated}`", expected="a ratio such as `1.5 %`" if unit == "1" else "such as `1 ns`")
    return float(stated)


def _level(words: str, units: Sequence[str]) -> float:
    for unit in units[1:]:
        try:
            return read_quantity(words, unit=unit).value
        except Misuse:
            continue
    return read_quantity(words, unit=units[0]).value


def _not_negative(number: float, stated: object) -> float:
    if not 0 <= number < math.inf:
        raise Misuse(f"`{stated}` as a limit of error", expected="a number that is not negative")
    return number


def _below_one(number: float, stated: object) -> float:
    if not 0 <= number < 1:
        raise Misuse(f"`{stated}` as a limit of error", expected="a ratio that is not negative, and below 100 %")
    return number


def _above_zero(number: float, stated: object) -> float:
    if not number > 0:
        expected = "a frequency above 0; an infinite one where no edge is too fast for it"
        raise Misuse(f"`{stated}` as a bandwidth", expected=expected, do="leave it out where it is not known")
    return number
