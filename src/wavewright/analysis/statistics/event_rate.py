"""Rates of rare events: between which shares of all trials the true one lies, when some of them were counted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from wavewright.analysis.elementary.beta import beta_quantile
from wavewright.errors import Misuse

METHOD = "Clopper and Pearson 1934"
COVERAGE = 0.95


@dataclass(frozen=True, slots=True)
class EventRate:
    """How often something happens, from how often it was seen.

    The count is exact; the share of all trials that it stands for is not. The interval is the exact binomial one: in
    both directions it ends at the share with which a count as far out as this one has half of what is left of the
    coverage (Clopper and Pearson, Biometrika 26 (1934) 404; JCGM 100 has no such interval). It never holds the true
    share in fewer cases than it says, and mostly in more.

    Parameters
    ----------
    events : trials in which it happened; trials : all of them.
    low, high : the interval of the share, 0 … 1; coverage : its probability.
    method : whose interval it is.
    """

    events: int
    trials: int
    low: float
    high: float
    coverage: float = COVERAGE
    method: str = METHOD

    @property
    def share(self) -> float:
        """The share that was seen."""
        return self.events / self.trials

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and words."""
        return {name: getattr(self, name) for name in ("events", "trials", "low", "high", "coverage", "method")}

    @classmethod
    def from_json(cls, plain: dict[str, Any]) -> EventRate:
        """What `as_json` made this of."""
        return cls(**plain)


def event_rate(events: int, trials: int, *, coverage: float = COVERAGE) -> EventRate:
    """The share of trials with an event, with its interval.

    Raises
    ------
    Misuse : no trial, more events than trials, or a coverage that is not between 0 and 1.

    Examples
    --------
    >>> round(event_rate(0, 100).high, 4)  # none in 100 does not mean never
    0.0362
    """
    if not (0 <= events <= trials and trials > 0 and 0 < coverage < 1):
        raise Misuse(
            f"{events} events in {trials} trials, coverage {coverage:g}",
            expected="at least one trial, no more events than trials, a coverage between 0 and 1",
        )
    beyond = (1 - coverage) / 2
    low = beta_quantile(beyond, events, trials - events + 1) if events else 0.0
    high = 1 - beta_quantile(beyond, trials - events, events + 1) if events < trials else 1.0
    return EventRate(events, trials, low, high, coverage)
