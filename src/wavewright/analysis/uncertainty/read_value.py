"""The budget of a value that an instrument reads by itself, a meter or a supply: no record, only what is stated."""

from __future__ import annotations

from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution


def budget_of_value(value: float, unit: str, accuracy: Accuracy, *, name: str) -> Budget:
    """The budget of one value.

    Parameters
    ----------
    accuracy : of the quantity; an offset that is a share of a range is not known here, and missing.
    name : of the reading, for the lines.
    """
    head = ":".join(word for word in (accuracy.instrument, accuracy.input) if word)
    contributions: list[Contribution] = []
    missing: list[str] = []
    drift = accuracy.temperature
    offset = None if accuracy.offset is None else accuracy.offset.limit(None)
    lines = [
        ("gain", accuracy.gain, value),
        ("offset", offset, 1.0),
        ("gain drift", None if drift is None else drift.gain * drift.within, value),
        ("offset drift", None if drift is None else (drift.offset.limit(None) or 0.0) * drift.within, 1.0),
    ]
    for what, limit, sensitivity in lines:
        if what in accuracy.corrected:
            standard, kind = accuracy.corrected[what], Distribution.NORMAL
        elif limit is not None:
            standard, kind = accuracy.limits.standard(limit), accuracy.limits.distribution
        else:
            missing += [] if what.endswith("drift") else [f"{what} of `{name}`"]
            continue
        contributions.append(
            Contribution(
                f"{what} of `{name}`".replace(f"drift of `{name}`", f"of `{name}`: temperature"),
                sensitivity * standard,
                key=f"{head}:{what}",
                distribution=kind,
                sensitivity=sensitivity,
                source=accuracy.source,
            )
        )
    return Budget(value, unit, tuple(contributions), tuple(missing))
