"""Outcome: all that one run of a recipe brought, frozen, and as tables of other libraries."""

from __future__ import annotations

from collections.abc import Iterator, KeysView, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.analysis.reading import Reading
from wavewright.displays import shown_as
from wavewright.errors import Misuse, UnknownName
from wavewright.judgement.shown import stated_uncertainty
from wavewright.judgement.verdict import Verdict, combined
from wavewright.nearest import did_you_mean
from wavewright.plot import Plot
from wavewright.running.attachment import Attachment
from wavewright.running.declared import Declared
from wavewright.running.result import MeasurementOutcome, Result
from wavewright.waveform import Capture, Waveform

if TYPE_CHECKING:
    import pandas
    import xarray


@dataclass(frozen=True, slots=True)
class Origin:
    """A file that the run was made from: its name, its text and the SHA-256 of that."""

    file: str
    text: str
    sha256: str


@dataclass(frozen=True, slots=True)
class CalibrationNote:
    """What a bench file says about the calibration of an instrument or a probe; texts, days by ISO 8601.

    Parameters
    ----------
    serial : of a probe; the identity of an instrument is in the outcome.
    is_overdue : when the run began.
    """

    calibrated: str = ""
    due: str = ""
    certificate: str = ""
    serial: str = ""
    is_overdue: bool = False

    @property
    def words(self) -> str:
        """All of it in one line."""
        parts = [
            f"calibrated {self.calibrated}" if self.calibrated else "",
            f"certificate {self.certificate}" if self.certificate else "",
            f"due {self.due}{', overdue' if self.is_overdue else ''}" if self.due else "",
        ]
        return ", ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Outcome:
    """All that one run of a recipe brought.

    Parameters
    ----------
    recipe, bench : the files; profiles : by name.
    corrections : the file of corrections that were applied; None where there was none.
    calibrations : what the bench file says of the instruments and probes in use, by name.
    parameters : value of each parameter of the recipe in this run, as text.
    draw : what decided, beside the seed, what fluctuates on a simulated bench: both together repeat a run bit for bit.
    is_simulated : whether any instrument of the bench was simulated, or a recorded dialogue stood in for it.
    identities : answer of each instrument to `*IDN?`.
    error : why the run as a whole ended early; empty if it was completed.
    captures : by label of the measurement, each a sequence of shots, read from the evidence when asked for.
    folder : where the evidence lies; None where none was kept.
    id : in the logbook; empty where it is in none.
    waits_in : file of the spool, where the logbook was away; None where it was not.
    times : where the seconds went from the beginning until outputs were confirmed off, by part; they sum to the whole.
        Empty in outcomes of before that was kept, and of runs that were killed.
    declared : the declared fields, by name.
    attachments : notes, files, and the pictures of where the probes were to go; added : those that came later, which
        stand in the chain of the logbook and not in the outcome.
    retest, retest_of : how often the unit had been run since a run of it did not pass, and the id of that run.
    quarantined : why the unit is in quarantine and was run all the same; empty where it is not.
    golden : `good` or `bad`, of a unit whose readings are known; empty for any other.
    """

    title: str
    part: str
    serial: str
    operator: str
    started: datetime
    ended: datetime
    recipe: Origin
    bench: Origin
    profiles: Mapping[str, Origin] = field(default_factory=dict)
    parameters: Mapping[str, str] = field(default_factory=dict)
    seed: int | None = None
    draw: int | None = None
    is_simulated: bool = False
    identities: Mapping[str, str] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)
    measurements: tuple[MeasurementOutcome, ...] = ()
    error: str = ""
    captures: Mapping[str, Sequence[Capture]] = field(default_factory=dict, repr=False)
    folder: Path | None = None
    id: str = ""
    waits_in: Path | None = None
    corrections: Origin | None = None
    calibrations: Mapping[str, CalibrationNote] = field(default_factory=dict)
    times: Mapping[str, float] = field(default_factory=dict)
    declared: Mapping[str, Declared] = field(default_factory=dict)
    attachments: tuple[Attachment, ...] = ()
    added: tuple[Attachment, ...] = ()
    retest: int = 0
    retest_of: str = ""
    quarantined: str = ""
    golden: str = ""

    @property
    def origins(self) -> tuple[Origin, ...]:
        """Every file that the run was made from."""
        own = (self.recipe, self.bench, *self.profiles.values())
        return own if self.corrections is None else (*own, self.corrections)

    @property
    def verdict(self) -> Verdict:
        """The worst of all results; error if the run ended early; inconclusive where nothing was judged."""
        verdicts = [verdict for one in self.measurements for verdict in one.verdicts]
        return combined([*verdicts, Verdict.ERROR] if self.error else verdicts)

    @property
    def results(self) -> Mapping[str, Result]:
        """Every result by `measurement.entry`, in the order of the run."""
        return {f"{one.label}.{result.name}": result for one in self.measurements for result in one.results}

    def __getitem__(self, name: str) -> Reading:
        """The reading of `reset_hold.reset_low`, or under conditions of `coil_drive[duty=40 %].duty_factor`.

        Raises
        ------
        UnknownName : there is no such result; names the nearest. It is a KeyError too.
        """
        found = self.results
        if name in found:
            return found[name].reading
        raise UnknownName(
            f"no result `{name}` in the outcome of `{self.title}`",
            expected=f"one of {', '.join(found)}" if found else "none: no reading was made",
            do=did_you_mean(name, found, alike=0.4),
        )

    def __iter__(self) -> Iterator[str]:
        """The names of the results, in the order of the run."""
        return iter(self.results)

    def __len__(self) -> int:
        """How many results there are."""
        return sum(len(one.results) for one in self.measurements)

    def __contains__(self, name: object) -> bool:
        return name in self.results

    def __bool__(self) -> bool:
        """Refused: `assert outcome` would hold for a unit that failed."""
        raise Misuse(
            f"an outcome is neither true nor false: that of `{self.title}` is {self.verdict}",
            do='compare `outcome.verdict` with "pass"; `len(outcome)` counts its results',
        )

    def keys(self) -> KeysView[str]:
        """The names of the results, as of a mapping; so `dict(outcome)` has every reading by name."""
        return self.results.keys()

    def get(self, name: str, default: Reading | None = None) -> Reading | None:
        """The reading of that name, or the default where there is none."""
        found = self.results.get(name)
        return default if found is None else found.reading

    def __repr__(self) -> str:
        """Title, unit, time and verdicts in a line of at most 200 characters."""
        unit = " ".join(word for word in (self.part, self.serial) if word)
        verdicts = [verdict for one in self.measurements for verdict in one.verdicts if verdict is not None]
        counts = ", ".join(f"{verdicts.count(word)} {word}" for word in Verdict if word in verdicts)
        words = (
            _cut(self.title),
            _cut(unit),
            f"{self.started:%Y-%m-%d %H:%M:%S} UTC",
            "simulated" if self.is_simulated else "",
        )
        told = f"{self.verdict}, {len(self)} results" + (f": {counts}" if counts else "")
        return f"<Outcome of {', '.join(word for word in words if word)}: {told}>"

    def plot(self, measurement: str) -> Plot:
        """The pictures of one measurement: the decisive shot, with limits and marks, and what else was computed.

        It shows itself in a notebook and has `save("rail.svg")` and `save("rail.png")`.

        Parameters
        ----------
        measurement : its name, or its label with the conditions: `coil_drive[duty=40 %]`. Of several conditions the
            one with the worst verdict.

        Raises
        ------
        UnknownName : there is no such measurement; names the nearest.
        Misuse : no shot of it was kept.
        """
        names = list(dict.fromkeys(name for one in self.measurements for name in (one.name, one.label)))
        if measurement not in names:
            raise UnknownName(
                f"no measurement `{measurement}` in the outcome of `{self.title}`",
                expected=f"one of {', '.join(names)}" if names else "none: it has no measurement",
                do=did_you_mean(measurement, names, alike=0.4),
            )
        return Plot(f"{self.title}: {measurement}", shown_as("plot of an outcome", self, measurement))

    def to_pandas(self) -> pandas.DataFrame:
        """One row per reading, indexed by `measurement.entry`; Misuse where pandas is not installed."""
        return readings_as_pandas(self)

    def to_xarray(self, measurement: str) -> xarray.Dataset:
        """The shots of one measurement in volts over seconds, one variable per channel; Misuse without xarray."""
        return captures_as_xarray(self, measurement)

    def _repr_html_(self) -> str:
        """Verdict and table of readings, for notebooks."""
        return shown_as("outcome", self)


def readings_as_pandas(outcome: Outcome) -> pandas.DataFrame:
    """One row per reading, indexed by `measurement.entry`; values in SI units, the unit beside them.

    `uncertainty` is the standard uncertainty from the record alone; `standard_uncertainty` and what follows it are of
    the whole budget, and missing where that is not complete.

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
            **stated_uncertainty(result.reading),
            "limit": result.limit,
            "margin": result.margin,
            "verdict": _word(result.verdict),
            "rule": result.rule if result.limit else "",
            "conformance": result.conformance,
            "doubts": ", ".join(result.reading.doubts),
            "reason": result.reading.reason or result.reason,
        }
        for name, result in outcome.results.items()
    }
    table = pandas.DataFrame.from_dict(rows, orient="index")
    table.index.name = "characteristic"
    return table


def captures_as_xarray(outcome: Outcome, measurement: str) -> xarray.Dataset:
    """The shots of one measurement: one variable per channel, with the dimensions shot and time, in the channel's unit.

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
    first = next(iter(shots[0].waveforms.values()))
    length, interval, start = len(first), first.interval, first.start
    axes = {(len(wave), wave.interval, wave.start) for shot in shots for wave in shot.waveforms.values()}
    apart = max(abs(begin - start) for _, _, begin in axes)
    if len({axis[:2] for axis in axes}) != 1 or apart >= interval / 2 or _move(shots):
        raise Misuse(f"the shots of `{measurement}` have {len(axes)} different time axes", expected="the same for all")
    variables = {
        name: (("shot", "time"), np.stack([shot[name].values() for shot in shots]), _attributes(wave, start))
        for name, wave in shots[0].waveforms.items()
    }
    time = ("time", start + interval * np.arange(length), {"units": "s"})
    axes_of_set = {"time": time, "shot": np.arange(len(shots))}
    return xarray.Dataset(variables, axes_of_set, _told_of(outcome, measurement))


def _told_of(outcome: Outcome, label: str) -> dict[str, Any]:
    """Attributes of a set of shots: which unit and run, and what was measured of them; what netCDF files can hold."""
    one = next((one for one in outcome.measurements if one.label == label), None)
    results = () if one is None else one.results
    return {
        "title": outcome.title, "part": outcome.part, "serial": outcome.serial, "operator": outcome.operator,
        "started": outcome.started.isoformat(), "run": outcome.id, "simulated": int(outcome.is_simulated),
        "measurement": label, "verdict": _word(None if one is None else one.verdict),
        "run_verdict": str(outcome.verdict),
        "characteristic": [result.name for result in results], "metric": [result.metric for result in results],
        "of": [", ".join(result.of) for result in results],
        "value": [np.nan if result.reading.value is None else result.reading.value for result in results],
        "unit": [result.reading.unit for result in results], "limit": [result.limit for result in results],
        "result": [_word(result.verdict) for result in results],
    }  # fmt: skip


def _word(verdict: Verdict | None) -> str:
    return "" if verdict is None else str(verdict)


def _move(shots: Sequence[Capture]) -> bool:
    """Whether a channel begins at another instant in another shot."""
    return any(shot[name].start != wave.start for shot in shots for name, wave in shots[0].waveforms.items())


def _attributes(wave: Waveform, start: float) -> dict[str, Any]:
    """Of a variable: its unit and, where a skew was corrected, how much later than `time` its samples are, s."""
    return {"units": wave.unit} if wave.start == start else {"units": wave.unit, "later": wave.start - start}


def _cut(text: str, most: int = 45) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _not_installed(package: str) -> Misuse:
    return Misuse(f"this needs the package {package}", do="install `wavewright[notebook]`")
