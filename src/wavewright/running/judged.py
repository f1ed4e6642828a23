"""Readings of all shots, held against a limit, as a result of the outcome."""

from __future__ import annotations

from collections.abc import Sequence

from wavewright.analysis.reading import Reading
from wavewright.judgement.doubting import NO_RULES, DoubtRules
from wavewright.judgement.joining import EACH
from wavewright.judgement.judge import judge
from wavewright.judgement.limits import Limit
from wavewright.judgement.verdict import Verdict
from wavewright.running.outcome import Result


def judged(
    name: str,
    metric: str,
    of: tuple[str, ...],
    readings: Sequence[Reading],
    *,
    limit: Limit | None = None,
    over: str = EACH,
    reasons: Sequence[str] = (),
    doubts: DoubtRules = NO_RULES,
) -> Result:
    """One result.

    Parameters
    ----------
    readings : one a shot.
    reasons : for each shot, what to say if it decides and does not pass; the numbers speak where there is none.
    doubts : which of them the recipe allows.
    """
    judgement = judge(readings, limit, over=over, doubts=doubts)
    margin = judgement.margin
    is_own = bool(reasons) and judgement.shot is not None and judgement.verdict is not Verdict.INCONCLUSIVE
    own = reasons[judgement.shot or 0] if is_own else ""
    return Result(
        name=name,
        metric=metric,
        of=of,
        over=over,
        limit="" if limit is None else str(limit),
        reading=judgement.reading or Reading(None, readings[0].unit if readings else "1", reason=judgement.reason),
        verdict=judgement.verdict,
        margin=None if margin is None else margin.value,
        relative_margin=None if margin is None else margin.fraction,
        reason=own if own and judgement.reason else judgement.reason,
        decisive_shot=judgement.shot,
        shots=tuple(readings),
        allowed=judgement.allowed,
    )
