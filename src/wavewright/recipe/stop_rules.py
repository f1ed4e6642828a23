"""`stop_when:`: rules that call while a batch runs, on the chart of a reading or by counting units."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal
from wavewright.grammar.word_fields import CountFrom, Line, LocatedText, Name, ReadBy
from wavewright.judgement.control_rules import EXPECTED_RULE, ControlRule, read_rules
from wavewright.judgement.counting_rules import EXPECTED_COUNT, CountingRule, read_counting
from wavewright.judgement.verdict import Verdict
from wavewright.nearest import did_you_mean
from wavewright.quantities import read_quantity
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.name_checks import UNKNOWN

LEAST_FIRST, MOST_FIRST = 10, 1000  # units that may set the limits of a chart
EACH = "each"
LEAST_SIGMA = 1e-18  # of any unit: 0 divides nothing


class CallAction(StrEnum):
    """What a batch does after a rule has called."""

    CALL = "call"
    ASK = "ask"
    STOP = "stop"


class DoubtfulPoints(StrEnum):
    """What a chart makes of a reading whose doubts bear on it."""

    LEFT_OUT = "left out"
    TAKEN = "taken"


class ChartStations(StrEnum):
    """Whose units a rule looks at."""

    ALL = "all"
    OWN = "own"


class ChartLimits(GrammarModel):
    """Where the centre line and the standard deviation of a chart come from: stated, from a batch, or its own start."""

    centre: LocatedText | None = Field(
        default=None, description="centre line, in the unit of the reading", examples=["30 mV"]
    )
    sigma: LocatedText | None = Field(
        default=None, description="standard deviation of single readings, in their unit", examples=["2 mV"]
    )
    batch: Line | None = Field(
        default=None,
        description="name of a batch in the logbook: mean, and mean moving range over 1.128, of its first runs",
        examples=["lot-6"],
    )
    first: Annotated[int, CountFrom(LEAST_FIRST, MOST_FIRST)] | None = Field(
        default=None,
        description="this many first units of the batch set the limits, which stay; the rules look at those after them",
        examples=[25],
    )

    @model_validator(mode="after")
    def _says_one_thing(self) -> Self:
        is_stated = self.centre is not None or self.sigma is not None
        if is_stated + (self.batch is not None) + (self.first is not None) != 1:
            expected = "`centre` and `sigma`, or `batch`, or `first`"
            raise refusal(
                Misuse("where the limits of the chart come from is said in no way, or in more", expected=expected)
            )
        if is_stated and (self.centre is None or self.sigma is None):
            raise refusal(Misuse("`centre` and `sigma` belong together", expected="both"))
        return self


@dataclass(frozen=True, slots=True)
class ChartRules:
    """Rules of one chart, as one entry says them: `words` as they stand there."""

    words: tuple[str, ...]
    rules: tuple[ControlRule, ...]


def _chart_rules(value: object) -> ChartRules:
    if isinstance(value, ChartRules):
        return value
    listed = [value] if isinstance(value, str) else value
    if not isinstance(listed, list | tuple) or not listed or not all(isinstance(word, str) for word in listed):
        raise Misuse("neither a rule nor a list of rules", expected=EXPECTED_RULE)
    return ChartRules(tuple(map(str, listed)), tuple(rule for word in listed for rule in read_rules(str(word))))


def _counting_rule(value: object) -> CountingRule:
    if isinstance(value, CountingRule):
        return value
    if not isinstance(value, str):
        raise Misuse(f"`{value}` does not say how many units", expected=EXPECTED_COUNT)
    return read_counting(value)


_ONE_OR_MORE = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]}
Rules = Annotated[ChartRules, ReadBy(_chart_rules, _ONE_OR_MORE)]
Counting = Annotated[CountingRule, ReadBy(_counting_rule, {"type": "string"})]
NOT_PASSED = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.ERROR)


class StopRule(GrammarModel):
    """One entry of `stop_when`: rules of the chart of a reading, or a number of units that did not pass."""

    of: LocatedText | None = Field(
        default=None,
        description="the reading, as `measurement.entry`; for `failed` also `each`: every reading is counted alone; "
        "the whole unit if left out",
        examples=["rail_noise.ripple"],
    )
    chart: ChartLimits | None = Field(
        default=None,
        description="where centre line and sigma come from",
        examples=[{"centre": "30 mV", "sigma": "2 mV"}, {"first": 25}],
    )
    rules: Rules | None = Field(
        default=None,
        description=f"when the chart calls: {EXPECTED_RULE}; or a list of them",
        examples=["western electric", ["1 beyond 3 sigma", "9 in a row on one side"]],
    )
    failed: Counting | None = Field(
        default=None, description="how many units, instead of a chart", examples=["3 in a row", "5 of the last 20"]
    )
    counting: tuple[Verdict, ...] = Field(
        default=NOT_PASSED,
        description="verdicts that `failed` counts; all but pass if left out",
        examples=[["fail"]],
    )
    doubtful: DoubtfulPoints = Field(
        default=DoubtfulPoints.LEFT_OUT,
        description="readings without a number are no points of a chart; nor, if left out, inconclusive ones",
        examples=["taken"],
    )
    stations: ChartStations = Field(
        default=ChartStations.ALL,
        description="whether the units of the batch count that other stations have run",
        examples=["own"],
    )
    then: CallAction = Field(
        default=CallAction.STOP,
        description="stop: no further unit begins; ask: the operator says whether one does; call: it is only said",
        examples=["call"],
    )

    @model_validator(mode="after")
    def _is_a_chart_or_counts(self) -> Self:
        if (self.failed is None) == (self.rules is None):
            raise refusal(Misuse("neither a chart nor a count, or both", expected="`chart` and `rules`, or `failed`"))
        if self.rules is not None and (self.chart is None or self.of is None or self.of == EACH):
            what = "rules of a chart need `of`, one reading, and `chart`"
            raise refusal(Misuse(what, expected="`{of: measurement.entry, chart: {first: 25}, rules: shewhart}`"))
        if self.failed is not None and self.chart is not None:
            raise refusal(Misuse("`chart` beside `failed`, which needs none", expected="`rules` instead of `failed`"))
        if Verdict.PASS in self.counting or not self.counting:
            raise refusal(Misuse("`counting` names pass, or nothing", expected="fail, inconclusive, error"))
        return self

    @property
    def chart_first(self) -> int:
        """How many units set the limits of the chart; 0 where they come from elsewhere."""
        return 0 if self.chart is None or self.chart.first is None else self.chart.first

    def stated(self, unit: str) -> tuple[float, float] | None:
        """Centre line and sigma, if the recipe states them.

        Raises
        ------
        Misuse : not quantities in that unit, or a sigma of 0.
        """
        if self.chart is None or self.chart.centre is None or self.chart.sigma is None:
            return None
        centre = read_quantity(self.chart.centre, unit=unit).value
        return centre, read_quantity(self.chart.sigma, unit=unit, least=LEAST_SIGMA).value


StopRules = Annotated[
    dict[Name, StopRule],
    Field(
        default_factory=dict,
        description="rules that call, ask or stop while a batch runs, by name",
        examples=[
            {
                "drift": {"of": "rail_noise.ripple", "chart": {"first": 25}, "rules": "western electric"},
                "fixture": {"failed": "3 in a row"},
            }
        ],
    ),
]


def stop_rule_faults(entries: Mapping[str, StopRule], measurements: Iterable[Measurement]) -> list[FileFault]:
    """What rules name that the recipe does not measure, and limits in another unit than the reading's."""
    units = dict(readings_of(measurements))
    faults = []
    for entry in entries.values():
        if entry.of is None or entry.of == EACH:
            continue
        if entry.of not in units:
            faults.append(unknown_reading(entry.of, units))
            continue
        unit = units[str(entry.of)]
        stated = () if entry.chart is None or unit == UNKNOWN else (entry.chart.centre, entry.chart.sigma)
        for words, least in zip(stated, (-math.inf, LEAST_SIGMA), strict=False):
            try:
                if words is not None:
                    read_quantity(words, unit=unit, least=least)
            except Misuse as fault:
                where = place_of(words) or place_of(entry.of) or ""
                faults.append(FileFault(fault.what, where=where, expected=fault.expected, do=fault.do))
    return faults


def unknown_reading(word: str, known: Iterable[str]) -> FileFault:
    """The fault of a name that is none of the readings of the recipe, with its condition where it has some."""
    names = list(known)
    return FileFault(
        f"no reading `{word}` in the recipe",
        where=place_of(word) or "",
        expected=f"one of {', '.join(names)}",
        do=did_you_mean(word, names),
    )


def readings_of(measurements: Iterable[Measurement]) -> Iterator[tuple[str, str]]:
    """Every reading as an outcome names it, and its unit."""
    for one in measurements:
        for name, computation in one.compute.items():
            yield f"{one.label}.{name}", computation.unit
        for metering in one.meterings:
            yield f"{one.label}.{metering.name}", metering.unit
