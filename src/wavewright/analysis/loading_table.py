"""The probe-loading question in one table: what each metric was, is with the probe, and should be with it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from wavewright.analysis.comparison import MetricChange
from wavewright.analysis.probe_loading import Loading


@dataclass(frozen=True, slots=True)
class LoadingRow:
    """A metric that moved, beside where it was expected to move.

    Parameters
    ----------
    measured : before, after and change as they were measured.
    expected_after : in the metric's unit; None where the model says nothing about this metric.
    """

    measured: MetricChange
    expected_after: float | None

    @property
    def expected_change(self) -> float | None:
        """In the metric's unit."""
        if self.expected_after is None or self.measured.before is None:
            return None
        return self.expected_after - self.measured.before

    @property
    def left_over(self) -> float | None:
        """Measured change less the expected one: what the model does not explain, in the metric's unit."""
        if self.expected_change is None or self.measured.change is None:
            return None
        return self.measured.change - self.expected_change


def loading_table(changes: Sequence[MetricChange], loading: Loading) -> tuple[LoadingRow, ...]:
    """A row for each metric, in the order given."""
    return tuple(LoadingRow(change, _expected(change, loading)) for change in changes)


def _expected(change: MetricChange, loading: Loading) -> float | None:
    rule = _RULES.get(change.metric)
    return None if rule is None or change.before is None else rule(change.before, loading)


def _at_rest(before: float, loading: Loading) -> float:
    return before * (1 + loading.dc_change)


def _of_the_sine(before: float, loading: Loading) -> float | None:
    return None if loading.amplitude_change is None else before * (1 + loading.amplitude_change)


def _edge(before: float, loading: Loading) -> float | None:
    """Rise times in a chain add as squares (common practice, no source; exact for Gaussian responses only)."""
    grown = before**2 + loading.rise_time**2 - loading.rise_time_before**2
    return math.sqrt(grown) if grown >= 0 else None


def _frequency(before: float, loading: Loading) -> float | None:
    return None if loading.frequency_change is None else before * (1 + loading.frequency_change)


def _period(before: float, loading: Loading) -> float | None:
    return None if loading.frequency_change is None else before / (1 + loading.frequency_change)


_RULES: Mapping[str, Callable[[float, Loading], float | None]] = MappingProxyType(
    {
        **dict.fromkeys(("mean", "cycle_mean", "high_level", "low_level"), _at_rest),
        **dict.fromkeys(("peak_to_peak", "amplitude", "ac_rms"), _of_the_sine),
        **dict.fromkeys(("rise_time", "fall_time"), _edge),
        "frequency": _frequency,
        "period": _period,
    }
)
