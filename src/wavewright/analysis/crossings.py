"""Crossings of a level: a comparator with hysteresis on raw codes, and straight lines between the samples.

A sample is low below the band `level − hysteresis/2 … level + hysteresis/2`, high above it, and neither inside. A
crossing is a low sample and a high sample, or the reverse, with none but samples inside the band between them: so a
noisy slow edge gives one crossing. It is placed midway between the first and the last instant at which the straight
lines between those samples touch the level; that is the same whether the record is read forwards or backwards, upright
or inverted. A waveform that touches a level without going beyond it does not cross it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wavewright.waveform import Floats, Waveform


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """Times of the crossings of one level, s, each array ascending; rising and falling ones alternate."""

    rising: Floats
    falling: Floats

    @property
    def either(self) -> Floats:
        """All of them in order of time, shape (rising.size + falling.size,)."""
        return np.sort(np.concatenate([self.rising, self.falling]))


def find_crossings(wave: Waveform, level: float, hysteresis: float) -> Crossings:
    """All crossings of a level.

    Parameters
    ----------
    level : in `wave.unit`.
    hysteresis : height of the band round the level, ≥ 0, in `wave.unit`.
    """
    codes = wave.codes
    side = np.zeros(len(wave), dtype=np.int8)
    ends = sorted((_tidy(wave.code_of(level - hysteresis / 2)), _tidy(wave.code_of(level + hysteresis / 2))))
    with np.errstate(invalid="ignore"):
        side[codes < ends[0]] = -1
        side[codes > ends[1]] = 1
    outside = np.flatnonzero(side)
    steps = np.flatnonzero(np.diff(side[outside]))
    before, after = outside[steps], outside[steps + 1]
    level_code = _tidy(wave.code_of(level))
    places = np.array([_place(codes, b, a, level_code) for b, a in zip(before, after, strict=True)], dtype=np.float64)
    upward = (side[after] > 0) == (wave.gain > 0)
    times = wave.start + wave.interval * places
    return Crossings(times[upward], times[~upward])


def _place(codes: npt.NDArray[np.generic], before: int, after: int, level_code: float) -> float:
    """Index, not rounded, midway between the first and the last touching of the level from `before` to `after`."""
    part = codes[before : after + 1].astype(np.float64) - level_code
    index = np.flatnonzero(np.isfinite(part))
    part = part[index]
    touching = np.flatnonzero((part[:-1] * part[1:] <= 0) & (part[:-1] != part[1:]))
    first, last = touching[0], touching[-1]
    marks = [index[k] + (index[k + 1] - index[k]) * part[k] / (part[k] - part[k + 1]) for k in (first, last)]
    return before + float(sum(marks)) / 2


def _tidy(code: float) -> float:
    """A code that is a whole number but for float64 rounding becomes that whole number."""
    whole = round(code)
    return float(whole) if abs(code - whole) <= 1e-9 * max(1.0, abs(code)) else code
