"""A pile of records side by side: which of them are unlike the others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from wavewright.quantities import show_quantity
from wavewright.recognition.recognised import Recognised

FEWEST = 3
FAR = 6.0  # robust standard deviations from the median
NOTICEABLE = 0.05  # of the median, or of the amplitude where the number is a level
ROBUST = 1.4826  # standard deviation of normal values over their median absolute deviation (math)
NUMBERS = {
    "level": "V",
    "low": "V",
    "high": "V",
    "frequency": "Hz",
    "duty_factor": "1",
    "ripple": "V",
    "ripple_frequency": "Hz",
}


def unlike(pile: Sequence[Recognised]) -> list[str]:
    """For each record in what it differs from the others; empty where it does not, or fewer than three are there."""
    if len(pile) < FEWEST:
        return ["" for _ in pile]
    usual = Counter(map(_class, pile)).most_common(1)[0][0]
    alike = [one for one in pile if _class(one) == usual]
    return [_difference(one, usual, alike) for one in pile]


def _class(one: Recognised) -> str:
    return one.kind.value if one.serial is None else f"{one.kind.value} {one.serial.bus}"


def _difference(one: Recognised, usual: str, alike: Sequence[Recognised]) -> str:
    if _class(one) != usual:
        return f"most are {usual}"
    scale = float(np.median([abs((each.high or 0.0) - (each.low or 0.0)) for each in alike]))
    for name, unit in NUMBERS.items():
        value = getattr(one, name)
        others = [number for each in alike if (number := getattr(each, name)) is not None]
        if value is None or len(others) < FEWEST:
            continue
        middle = float(np.median(others))
        spread = ROBUST * float(np.median(np.abs(np.array(others) - middle)))
        floor = NOTICEABLE * max(abs(middle), scale if unit == "V" else 0.0)
        if abs(value - middle) > max(FAR * spread, floor):
            shown = show_quantity(middle, one.unit if unit == "V" else unit, resolution=abs(middle) / 1000)
            return f"{name.replace('_', ' ')}: of most {shown}"
    return ""
