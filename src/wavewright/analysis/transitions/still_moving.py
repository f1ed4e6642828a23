"""Still moving: how much later a band is entered than it seems, where a record ends before its waveform is at rest.

The state that a band is put around is what the waveform had come to when the record, or its share of it, ended. An
exponential that is still ρ of its start away from where it tends to is seen to enter the band, of half height b, too
early: at ρ + b, which is the later by −τ·ln(1 − exp(−x)) for a stay of x = stay/τ inside the band (math: exp(−t/τ) is
ρ + b at the entry and ρ at the end). Time constant and ρ follow from how long the way to the band took and from that
stay. That the tail is exponential is an assumption of ours, and a careful one for ringing and for ramps.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from wavewright.analysis.elementary.exponentials import exp, expm1, log
from wavewright.analysis.reading import Doubt, Finding, Reading
from wavewright.quantities import show_quantity

if TYPE_CHECKING:
    from wavewright.waveform import Floats

LEAST_LATER = 0.01  # of the reading: less is not told
LOOKED_AT = 64  # transitions, about
ROUNDS = 30
LONGEST_STAY = 30.0  # time constants: nothing is left of an exponential


def later_entry(spent: float, stayed: float, depth: float) -> float:
    """How much later a band is entered for good than was seen; in the unit of the durations.

    Parameters
    ----------
    spent : from where the way to the band was `depth` to where the band was entered. stayed : from there to the end.
    depth : distance from the state where the way began, over half the height of the band; > 1.

    Examples
    --------
    >>> tau, end = 1.0, 4.5  # 2 % of what the record saw; around 0 that is truly entered at −ln(0.02·(1 − ρ)) = 3.923
    >>> rho = math.exp(-end / tau)
    >>> middle, entry = -math.log(0.5 * (1 + rho)), -math.log(rho + 0.02 * (1 - rho))
    >>> round(entry + later_entry(entry - middle, end - entry, 25.0), 2)
    3.92
    """
    if spent <= 0 or depth <= 1:
        return 0.0
    if stayed <= 0:
        return math.inf
    left = 0.0  # ρ over b
    tau = spent / log(depth)
    for _ in range(ROUNDS):
        stay = stayed / tau
        if stay > LONGEST_STAY:
            return 0.0
        left = 1 / expm1(stay)
        share = (depth + left) / (1 + left)
        if share <= 1:
            return math.inf
        tau = spent / log(share)
    return -tau * log(1 - exp(-stayed / tau))


def mean_later_entry(spent: Floats, stayed: Floats, depth: float) -> float:
    """The mean of many, some of which stand for all: parameters as for `later_entry`, shape (n,) those of each."""
    some = slice(None, None, max(1, spent.size // LOOKED_AT))
    pairs = list(zip(spent[some].tolist(), stayed[some].tolist(), strict=True))
    return math.fsum(later_entry(one, other, depth) for one, other in pairs) / len(pairs) if pairs else 0.0


def with_later_entry(reading: Reading, later: float, unsure: float = 0.0) -> Reading:
    """The reading, in doubt where the band may be entered noticeably later, s, and a limit is within that.

    Parameters
    ----------
    unsure : how well the entry is known besides, s.
    """
    if reading.value is None or later <= LEAST_LATER * reading.value:
        return reading
    later += unsure
    text = "the record ends while the waveform still moves"
    if math.isfinite(later):
        text += f": it may enter the band {show_quantity(later, 's')} later"
    finding = Finding(Doubt.NOT_SETTLED, text, 0.0, later, decides=False)
    return replace(reading, doubts=(finding.doubt, *reading.doubts), findings=(finding, *reading.findings))
