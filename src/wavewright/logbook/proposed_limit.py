"""A limit proposed from readings: their tolerance interval, with a comment that says where it comes from."""

from __future__ import annotations

import math
from collections.abc import Sequence

from wavewright.analysis.reading import Reading
from wavewright.judgement.judge import judge
from wavewright.judgement.limits import Limit
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.studies.tolerance import one_sided_factor, two_sided_factor
from wavewright.quantities import read_interval, show_quantity
from wavewright.running.draft import ProposedLimit
from wavewright.waveform import Waveform

SHARE, CONFIDENCE = 0.999, 0.95
LEAST_CODES = 12.0  # that the interval of a level is wide
LEAST_RESOLVED = 1e-6  # of a value: a tolerance interval is not drawn narrower


def code_step(wave: Waveform) -> float:
    """What one code of a record stands for, in its unit; 0 where the samples came as numbers, not as codes."""
    return 0.0 if wave.codes.dtype.kind == "f" else abs(wave.gain)


def proposed_limit(readings: Sequence[Reading], side: str, *, step: float = 0.0) -> ProposedLimit | None:
    """The tolerance interval of some readings as a limit; None where they say too little.

    What a record leaves open of each reading is added to the scatter between them: readings that are alike by chance
    do not make a limit that the next one misses.

    Parameters
    ----------
    step : what a code stands for, in the readings' unit: no interval is drawn narrower than the codes resolve.
    """
    values = [one.value for one in readings if one.value is not None and math.isfinite(one.value)]
    if len(values) < max(len(readings), 5) or any(found.decides for one in readings for found in one.doubted):
        return None
    unit, count = readings[0].unit, len(values)
    mean = sum(values) / count
    scatter = math.sqrt(sum((value - mean) ** 2 for value in values) / (count - 1))
    stated = max((one.uncertainty or 0.0 for one in readings), default=0.0)
    spread = max(math.hypot(scatter, stated), LEAST_RESOLVED * abs(mean))
    factor = (two_sided_factor if side == "both" else one_sided_factor)(count, SHARE, CONFIDENCE)
    reach = max(factor * spread, LEAST_CODES * step / 2)
    low, high = mean - reach, mean + reach

    def shown(value: float) -> str:
        return show_quantity(value, unit, resolution=spread / 10 or None)

    limit = {"both": f"{shown(low)} .. {shown(high)}", "upper": f"at most {shown(high)}"}.get(
        side, f"at least {shown(low)}"
    )
    comment = (
        f"{count} shots: mean {shown(mean)}, standard deviation {show_quantity(spread, unit)}; "
        f"{100 * SHARE:g} % of such readings, {100 * CONFIDENCE:g} % confidence"
    )
    # a limit that the shots themselves do not surely pass is none: a doubt may put it within reach
    judged = judge(readings, Limit(read_interval(limit, unit=unit), limit))
    return ProposedLimit(limit, comment) if judged.verdict is Verdict.PASS else None
