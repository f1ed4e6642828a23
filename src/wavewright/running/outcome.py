"""Outcome: all that one run of a recipe brought, frozen, and as plain JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.statistics.shot_statistics import ShotStatistics, shot_statistics
from wavewright.errors import Misuse
from wavewright.judgement.verdict import Verdict, combined
from wavewright.waveform import Capture

if TYPE_CHECKING:
    import pandas
    import xarray

Setting = float | str | bool


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """One entry of `compute:`: its reading in every shot, joined, and held against its limit.

    Parameters
    ----------
    name : of the entry; `metric` is what computed it, `of` the channels or lines that it computed.
    over : how the shots were joined; limit : as the recipe words it, empty where there is none.
    reading : joined over the shots, or with `each` that of the shot which decided; shots : the reading of each.
    verdict : None where there is no limit, and so nothing was judged.
    margin : distance to the nearer end of the limit in the reading's unit, negative outside; None without a number.
    relative_margin : the same over half the width of the limit.
    reason : why the verdict is not `pass`.
    decisive_shot : with `each`, which shot decided, counted from 0.
    allowed : doubts that would have stopped the pass, had the recipe not allowed them.
    """

    name: str
    metric: str
    of: tuple[str, ...]
    over: str
    limit: str
    reading: Reading
    verdict: Verdict | None
    margin: float | None = None
    relative_margin: float | None = None
    reason: str = ""
    decisive_shot: int | None = None
    shots: tuple[Reading, ...] = ()
    allowed: tuple[Doubt, ...] = ()

    @property
    def untold_doubts(self) -> tuple[Doubt, ...]:
        """The doubts that the reason does not say already."""
        return tuple(found.doubt for found in self.reading.doubted if found.sentence not in self._said)

    @property
    def doubt_sentences(self) -> tuple[str, ...]:
        """Each of these in a sentence, with a mark on what would have stopped the pass and was allowed."""
        return tuple(
            f"{found.sentence} (allowed by the recipe)" if found.doubt in self.allowed else found.sentence
            for found in self.reading.doubted
            if found.sentence not in self._said
        )

    @property
    def _said(self) -> str:
        return f"{self.reason} {self.reading.reason}"

    @property
    def statistics(self) -> ShotStatistics | None:
        """Mean, scatter, extremes, percentiles and trend over the shots; None for fewer than two with a number."""
        if sum(reading.value is not None for reading in self.shots) < 2:
            return None
        return shot_statistics(self.shots)


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """A value of ours beside the instrument's own, both of the last shot and in `unit`; for information only.

    `name` : of the result; `remark` : why the instrument has none.
    """

    name: str
    unit: str
    ours: float | None
    theirs: float | None
    remark: str = ""

    @property
    def difference(self) -> float | None:
        """Theirs minus ours; None if one of them is missing."""
        return None if self.ours is None or self.theirs is None else self.theirs - self.ours


@dataclass(frozen=True, slots=True, eq=False)
class MeasurementOutcome:
    """What one measurement brought, under one set of conditions.

    Parameters
    ----------
    conditions : values that `for_each` went through, as the recipe words them: `{"duty": "40 %"}`.
    asked, read_back : settings by name in SI units: what the recipe wants and what the instruments said they use.
    remarks : what the operator should know: differences of the two, what auto range chose.
    error : why no reading came about; empty where some did.
    """

    name: str
    conditions: Mapping[str, str] = field(default_factory=dict)
    place: str = ""
    asked: Mapping[str, Setting] = field(default_factory=dict)
    read_back: Mapping[str, Setting] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    shots: int = 0
    results: tuple[Result, ...] = ()
    error: str = ""
    cross_checks: tuple[CrossCheck, ...] = ()

    @property
    def label(self) -> str:
        """The name, with the conditions behind it: `coil_drive[duty=40 %]`."""
        return label_of(self.name, self.conditions)

    @property
    def verdicts(self) -> tuple[Verdict | None, ...]:
        """Those of its results, and error where no reading came about."""
        return (*(result.verdict for result in self.results), *((Verdict.ERROR,) if self.error else ()))

    @property
    def verdict(self) -> Verdict | None:
        """The worst of them; None where nothing was to be judged."""
        judged = [verdict for verdict in self.verdicts if verdict is not None]
        return combined(judged) if judged else None


def label_of(name: str, conditions: Mapping[str, str]) -> str:
    """What a measurement is called: its name and, in brackets, the conditions under which it ran."""
    if not conditions:
        return name
    return f"{name}[{', '.join(f'{key}={value}' for key, value in conditions.items())}]"


@dataclass(frozen=True, slots=True)
class Origin:
    """A file that the run was made from: its name, its text and the SHA-256 of that."""

    file: str
    text: str
    sha256: str


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """All that one run of a recipe brought.

    Parameters
    ----------
    recipe, bench : the files; profiles : by name.
    parameters : value of each parameter of the recipe in this run, as text.
    draw : what decided, beside the seed, what fluctuates on a simulated bench: both together repeat a run bit for bit.
    is_simulated : whether any instrument of the bench was simulated, or a recorded dialogue stood in for it.
    identities : answer of each instrument to `*IDN?`.
    error : why the run as a whole broke off; empty where it came to its end.
    captures : by label of the measurement, each a sequence of shots, read from the evidence when asked for.
    folder : where the evidence lies; None where none was kept.
    id : in the logbook; empty where it is in none.
    waits_in : file of the spool, where the logbook was away; None where it was not.
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

    @property
    def verdict(self) -> Verdict:
        """The worst of all results; error where the run broke off; inconclusive where nothing was judged."""
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
        Misuse : there is no such result; names the nearest.
        """
        found = self.results
        if name in found:
            return found[name].reading
        near = get_close_matches(name, found, 1, 0.4)
        raise Misuse(
            f"no result `{name}` in the outcome of `{self.title}`",
            expected=f"one of {', '.join(found)}" if found else "none: no reading came about",
            do=f"did you mean `{near[0]}`?" if near else "",
        )

    def to_pandas(self) -> pandas.DataFrame:
        """One row a reading, indexed by `measurement.entry`; Misuse where pandas is not installed."""
        from wavewright.running.tables import readings_as_pandas

        return readings_as_pandas(self)

    def to_xarray(self, measurement: str) -> xarray.Dataset:
        """The shots of one measurement in volts over seconds, a variable a channel; Misuse without xarray."""
        from wavewright.running.tables import captures_as_xarray

        return captures_as_xarray(self, measurement)

    def _repr_html_(self) -> str:
        """The table of readings, for notebooks."""
        from wavewright.running.notebook import outcome_as_html

        return outcome_as_html(self)
