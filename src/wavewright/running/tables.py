"""Outcomes as tables and arrays of other people's libraries: pandas for readings, xarray for waveforms."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.errors import Misuse
from wavewright.running.outcome import Outcome

if TYPE_CHECKING:
    import pandas
    import xarray


def readings_as_pandas(outcome: Outcome) -> pandas.DataFrame:
    """One row a reading, indexed by `measurement.entry`; values in SI units, the unit beside them.

    Raises
    ------
    Misuse : pandas is not installed.
    """
    try:
        import pandas
    except ImportError as fault:
        raise _not_installed("pandas") from fault
    rows: dict[str, dict[str, Any]] = {
        name: {
            "metric": result.metric,
            "value": np.nan if result.reading.value is None else result.reading.value,
            "unit": result.reading.unit,
            "uncertainty": result.reading.uncertainty,
            "limit": result.limit,
            "margin": result.margin,
            "verdict": "" if result.verdict is None else str(result.verdict),
            "doubts": ", ".join(result.reading.doubts),
            "reason": result.reading.reason or result.reason,
        }
        for name, result in outcome.results.items()
    }
    table = pandas.DataFrame.from_dict(rows, orient="index")
    table.index.name = "reading"
    return table


def captures_as_xarray(outcome: Outcome, measurement: str) -> xarray.Dataset:
    """The shots of one measurement: a variable a channel, with the dimensions shot and time, in the channel's unit.

    Raises
    ------
    Misuse : xarray is not installed, no such measurement, or shots that do not share one time axis.
    """
    try:
        import xarray
    except ImportError as fault:
        raise _not_installed("xarray") from fault
    if measurement not in outcome.captures:
        raise Misuse(
            f"no captures of `{measurement}` in the outcome of `{outcome.title}`",
            expected=f"one of {', '.join(outcome.captures)}",
        )
    shots = list(outcome.captures[measurement])
    axes = {(len(wave), wave.interval, wave.start) for shot in shots for wave in shot.waveforms.values()}
    if len(axes) != 1:
        raise Misuse(f"the shots of `{measurement}` have {len(axes)} different time axes", expected="one for all")
    length, interval, start = axes.pop()
    variables = {
        name: (("shot", "time"), np.stack([shot[name].values() for shot in shots]), {"units": wave.unit})
        for name, wave in shots[0].waveforms.items()
    }
    time = ("time", start + interval * np.arange(length), {"units": "s"})
    return xarray.Dataset(variables, {"time": time, "shot": np.arange(len(shots))}, {"title": outcome.title})


def _not_installed(package: str) -> Misuse:
    return Misuse(f"this needs the package {package}", do="install `wavewright[notebook]`")
