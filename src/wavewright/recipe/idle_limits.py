"""Limits that no board can break, whatever is wrong with it: faults of the file, for they would pass in silence."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.doubts import Reads
from wavewright.errors import Place
from wavewright.grammar.quantity_fields import StatedQuantity
from wavewright.quantities import Interval
from wavewright.recipe.acquisition import Channel, Coupling
from wavewright.recipe.computation import Computation
from wavewright.recipe.density import Persistence
from wavewright.recipe.name_checks import NameChecks

MEANS = ("mean", "cycle_mean")  # which ac coupling removes
SPREADS = ("peak_to_peak", "ripple", "amplitude", "ac_rms", "load_step_dip")  # from 0 to the width of the range
ONE_LEVEL = (
    frozenset({Reads.HIGHEST}),
    frozenset({Reads.LOWEST}),
    frozenset({Reads.HIGH_LEVEL}),
    frozenset({Reads.LOW_LEVEL}),
)


def check_limits(
    compute: Iterable[Computation], channels: Mapping[str, Channel], seen: Mapping[str, Interval], checks: NameChecks
) -> None:
    """Note the limits of readings that hold for every record which the set-up can bring.

    Parameters
    ----------
    seen : what the converter can show, V, by channel; those whose range the run finds are left out.
    """
    for computation in compute:
        name = computation.of[0] if len(computation.of) == 1 else ""
        if name not in channels or computation.on_frames:
            continue
        _check_spread(computation, name, channels[name], checks)
        if channels[name].coupling is Coupling.AC:
            _check_after_ac_coupling(computation, name, seen.get(name), checks)


def check_rare_shots(persistence: Persistence, shots: int, *, where: Place, checks: NameChecks) -> None:
    """Note a limit on rare shots that no number of them can break."""
    limit = persistence.rare_shots
    if limit is None or persistence.rare is None or not limit.holds(0.0):
        return
    if shots <= limit.interval.high:
        checks.note_fault(
            f"`rare_shots: {limit}` holds for any {shots} shot{'s' if shots > 1 else ''}",
            where=where,
            expected=f"a limit below {shots}",
            do="lower `rare_shots`, or take more `shots`",
        )
    elif shots <= persistence.rare:
        checks.note_fault(
            f"no path of {shots} shots is rarer than 1 in {persistence.rare}: `rare_shots: {limit}` always holds",
            where=where,
            expected=f"more than {persistence.rare} shots",
            do="take more `shots`, or lower `rare`",
        )


def _check_spread(computation: Computation, name: str, channel: Channel, checks: NameChecks) -> None:
    """A spread beyond the range cannot be read: V written for mV would pass whatever the signal does within it."""
    limit, width = computation.limit, channel.range
    if limit is None or computation.place is None or not isinstance(width, StatedQuantity):
        return
    if computation.metric in SPREADS and limit.holds(0.0) and limit.holds(width.value):
        checks.note_fault(
            f"`limit: {limit}` holds for every `{computation.metric}` that the range of `{name}` can show",
            where=computation.place,
            expected=f"a limit within {Interval(0.0, width.value, 'V')}",
            do="choose another limit (is its unit right?), or widen `range`",
        )


def _check_after_ac_coupling(computation: Computation, name: str, shown: Interval | None, checks: NameChecks) -> None:
    """With ac coupling the DC component is not in the record: nothing is clipped, and the limit holds all the same."""
    limit = computation.limit
    if limit is None or computation.place is None:
        return
    if computation.metric in MEANS:
        checks.note_fault(
            f"`{computation.metric}` of `{name}` has a limit, and ac coupling removes what it measures",
            where=computation.place,
            expected="a channel with `coupling: dc`",
            do="write `coupling: dc`, with a `range` and `offset` for it",
        )
        return
    is_level = METRICS.find(computation.metric).reads in ONE_LEVEL
    if shown is not None and is_level and limit.holds(shown.low) and limit.holds(shown.high):
        checks.note_fault(
            f"`limit: {limit}` holds for every `{computation.metric}` that the range of `{name}` can show",
            where=computation.place,
            expected=f"a limit within {shown}: ac coupling removes the DC component",
            do="write `coupling: dc`, with a `range` and `offset` for it, or choose another limit",
        )
