"""Which doubts decide: those that stop a pass, and those that may have made a fail."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from types import MappingProxyType

from wavewright.analysis.doubts import Doubt, Finding
from wavewright.analysis.reading import Reading
from wavewright.judgement.limits import Limit
from wavewright.judgement.verdict import Verdict

DoubtRules = Mapping[Doubt, bool]
"""By doubt whether a recipe allows it; what is not in it is not allowed."""
NO_RULES: DoubtRules = MappingProxyType({})


def deciding(reading: Reading, limit: Limit, verdict: Verdict) -> tuple[Finding, ...]:
    """The findings that turn a verdict into `inconclusive`.

    A pass is stopped by a doubt that bears on the reading, and by one that leaves the limit within reach. A fail
    stays one unless the true value may be acceptable because of the doubt.
    """
    if reading.value is None:
        return ()
    stops = {Verdict.PASS: _stops_a_pass, Verdict.FAIL: _may_have_made_a_fail}.get(verdict)
    return () if stops is None else tuple(found for found in reading.doubted if stops(found, reading.value, limit))


def without_allowed(found: Collection[Finding], rules: DoubtRules) -> tuple[Finding, ...]:
    """Those that the recipe does not allow."""
    return tuple(one for one in found if not rules.get(one.doubt, False))


def _stops_a_pass(found: Finding, value: float, limit: Limit) -> bool:
    return found.decides or not (limit.holds(value - found.below) and limit.holds(value + found.above))


def _may_have_made_a_fail(found: Finding, value: float, limit: Limit) -> bool:
    return value - found.below <= limit.interval.high and value + found.above >= limit.interval.low
