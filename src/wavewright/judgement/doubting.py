"""Which doubts decide: those that stop a pass, and those that may have made a fail."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

from wavewright.analysis.doubts import Doubt, Finding
from wavewright.judgement.verdict import Verdict

if TYPE_CHECKING:
    from wavewright.analysis.reading import Reading
    from wavewright.judgement.decision import Decision
    from wavewright.quantities import Interval

DoubtRules = Mapping[Doubt, bool]
"""By doubt whether a recipe allows it; what is not in it is not allowed."""
NO_RULES: DoubtRules = MappingProxyType({})


def deciding(reading: Reading, decision: Decision) -> tuple[Finding, ...]:
    """The findings that turn a verdict into `inconclusive`.

    A pass is stopped by a doubt that bears on the reading, and by one that leaves the end of what passes within reach.
    A fail stays one unless the reading, moved as far as the doubt reaches, would be none.
    """
    if reading.value is None:
        return ()
    ends = {Verdict.PASS: decision.accepted, Verdict.FAIL: decision.tolerated}.get(decision.verdict)
    if ends is None:
        return ()
    stops = _stops_a_pass if decision.verdict is Verdict.PASS else _may_have_made_a_fail
    return tuple(found for found in reading.doubted if stops(found, reading.value, ends))


def without_allowed(found: Collection[Finding], rules: DoubtRules) -> tuple[Finding, ...]:
    """Those that the recipe does not allow."""
    return tuple(one for one in found if not rules.get(one.doubt, False))


def _stops_a_pass(found: Finding, value: float, accepted: Interval) -> bool:
    return found.decides or not (value - found.below in accepted and value + found.above in accepted)


def _may_have_made_a_fail(found: Finding, value: float, tolerated: Interval) -> bool:
    return value - found.below <= tolerated.high and value + found.above >= tolerated.low
