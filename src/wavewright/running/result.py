"""Results of a measurement: readings of all shots, held against a limit, frozen."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.statistics.shot_statistics import ShotStatistics, shot_statistics
from wavewright.errors import Place
from wavewright.judgement.decision import CONFORMANCE, show_probability
from wavewright.judgement.decision_rules import SIMPLE, DecisionRule
from wavewright.judgement.doubting import NO_RULES, DoubtRules
from wavewright.judgement.joining import EACH
from wavewright.judgement.judge import judge
from wavewright.judgement.limits import Limit
from wavewright.judgement.verdict import Verdict, combined

if TYPE_CHECKING:
    from wavewright.recipe.measurement import Measurement

    pass

Setting = float | str | bool


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Result:
    """One entry of `compute:`: its reading in every shot, joined, and held against its limit.

    Parameters
    ----------
    name : of the entry; `metric` is what computed it, `of` the channels or lines that it computed.
    over : how the shots were joined; limit : as the recipe words it, empty where there is none.
    reading : joined over the shots, or with `each` that of the shot which decided; shots : the reading of each, without
        its budget: that of the joined reading has in it what it says.
    verdict : None where there is no limit, and so nothing was judged.
    margin : distance to the nearer end of the limit in the reading's unit, negative outside; None without a number.
    relative_margin : the same over half the width of the limit.
    reason : why the verdict is not `pass`.
    decisive_shot : with `each`, which shot decided, counted from 0.
    allowed : doubts that would have stopped the pass, had the recipe not allowed them.
    rule : the decision rule in one line, as `DecisionRule.read` reads it.
    conformance : with a guard band, the probability that the true value is within the limit; None if it is not known.
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
    rule: str = str(SIMPLE)
    conformance: float | None = None

    def __repr__(self) -> str:
        limit = f", limit {self.limit}: {self.verdict}" if self.limit else ", not judged"
        return f"<Result {self.name}: {self.reading.value!r} {self.reading.unit}, {len(self.shots)} shots{limit}>"

    @property
    def is_guarded(self) -> bool:
        """Whether its uncertainty had a say in the verdict."""
        return bool(self.limit) and self.rule != SIMPLE.name

    @property
    def decision(self) -> str:
        """The rule, if it has a guard band, and how probably the reading conforms unless the reason has said that."""
        if not self.is_guarded:
            return ""
        rule = f"decision rule: {self.rule}"
        if self.conformance is None or (found := f"{CONFORMANCE} {show_probability(self.conformance)}") in self.reason:
            return rule
        return f"{rule}; {found}"

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
        if len(self.shots) < 2 or sum(reading.value is not None for reading in self.shots) < 2:
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


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class MeasurementOutcome:
    """What one measurement brought, under one set of conditions.

    Parameters
    ----------
    conditions : values that `for_each` went through, as the recipe words them: `{"duty": "40 %"}`.
    asked, read_back : settings by name in SI units: what the recipe requests and what the instruments said they use.
    remarks : what the operator should know: differences of the two, what auto range chose.
    error : why no reading came about; empty where some did.
    seconds : how long it took on the bench; None in outcomes of before that was kept.
    times : the same by the part that it was spent on, s; they sum to it. Empty in outcomes of before that was kept.
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
    seconds: float | None = None
    times: Mapping[str, float] = field(default_factory=dict)

    def __repr__(self) -> str:
        found = self.error.split("\n", 1)[0] or self.verdict or "not judged"
        return f"<MeasurementOutcome {self.label}: {found}, {self.shots} shots, {len(self.results)} results>"

    @property
    def label(self) -> str:
        """The name, followed by the conditions: `coil_drive[duty=40 %]`."""
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


def judged_result(
    name: str,
    metric: str,
    of: tuple[str, ...],
    readings: Sequence[Reading],
    *,
    limit: Limit | None = None,
    over: str = EACH,
    reasons: Sequence[str] = (),
    doubts: DoubtRules = NO_RULES,
    rule: DecisionRule = SIMPLE,
) -> Result:
    """One result.

    Parameters
    ----------
    readings : one per shot.
    reasons : for each shot, what to say if it decides and does not pass; the numbers speak where there is none.
    doubts : which of them the recipe allows.
    rule : how wide the guard bands of the limit are.
    """
    judgement = judge(readings, limit, over=over, rule=rule, doubts=doubts)
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
        shots=tuple(replace(reading, budget=None) for reading in readings),
        allowed=judgement.allowed,
        rule=str(judgement.rule),
        conformance=judgement.conformance,
    )


def cut_short_results(results: Iterable[Result]) -> tuple[Result, ...]:
    """Results of fewer shots than were wanted: each reading doubtful for that, a pass inconclusive, a fail a fail."""
    return tuple(_cut_short(one) for one in results)


def broken_off(fault: object, taken: int, wanted: int) -> str:
    """What the outcome of the measurement says."""
    return f"{fault}; {taken} of {wanted} shots were taken"


@dataclass(frozen=True, slots=True)
class NamedLimit:
    """One result that has a limit: its name within the measurement, the limit's words, and where it is."""

    name: str
    limit: str
    place: Place | None = None


def limits_of(measurement: Measurement) -> Iterator[NamedLimit]:
    """Every result of a measurement that will be held against a limit, named as in the outcome."""
    for wanted in measurement.compute.values():
        if wanted.limit is not None:
            yield NamedLimit(wanted.name, str(wanted.limit), wanted.place)
    for read in measurement.meterings:
        if read.limit is not None:
            yield NamedLimit(read.name, str(read.limit), read.place)
    for line in measurement.expect:
        yield NamedLimit(f"expect.{line}", "every condition met")
    for compared in measurement.compare.values():
        for found, limit in compared.limits.items():
            yield NamedLimit(f"{compared.name}.{found}", str(limit), compared.place)
    persistence = measurement.persistence
    if persistence is not None and persistence.rare_shots is not None:
        yield NamedLimit("rare_shots", str(persistence.rare_shots))
    if persistence is not None and persistence.violations is not None:
        yield NamedLimit("violations", str(persistence.violations))


def _cut_short(result: Result) -> Result:
    doubted = replace(result, reading=_doubted(result.reading), shots=tuple(map(_doubted, result.shots)))
    if result.verdict is not Verdict.PASS:
        return doubted
    reason = "holds in the shots that were taken; the measurement was interrupted before the last"
    return replace(doubted, verdict=Verdict.INCONCLUSIVE, reason=reason)


def _doubted(reading: Reading) -> Reading:
    return reading if reading.value is None else replace(reading, doubts=(*reading.doubts, Doubt.CUT_SHORT))
