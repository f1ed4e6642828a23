"""The rules of a batch: which call, on which chart, with which units; the same at every station and in the report."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import select

from wavewright.errors import Misuse, StorageFault
from wavewright.judgement.control_rules import RuleCall, calls_of
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.book import Logbook
from wavewright.logbook.line_notes import LineJournal, LineNote, NoteKind, id_from, note_now
from wavewright.logbook.outcome_files import outcome_as_json
from wavewright.logbook.queries import Filter
from wavewright.logbook.rows import named_results
from wavewright.logbook.studies.control_charts import individuals_chart
from wavewright.logbook.tables import outcomes
from wavewright.quantities import show_quantity
from wavewright.recipe.stop_rules import EACH, LEAST_FIRST, ChartStations, DoubtfulPoints, StopRule
from wavewright.running.outcome import Outcome

CHUNK = 100  # documents read at once


@dataclass(frozen=True, slots=True)
class ChartedReading:
    """A reading as a chart takes it; `is_doubtful`: a doubt that the recipe does not allow bears on it."""

    value: float | None
    unit: str
    verdict: Verdict | None
    is_doubtful: bool


@dataclass(frozen=True, slots=True)
class ChartedRun:
    """The first run of a unit in a batch, as the rules of the batch look at it."""

    id: str
    serial: str
    station: str
    started: datetime
    verdict: Verdict
    readings: Mapping[str, ChartedReading] = field(repr=False)

    @classmethod
    def of(cls, identifier: str, document: Mapping[str, Any], station: str) -> ChartedRun:
        """That of a document as the logbook has it."""
        found = {}
        for name, result in named_results(document):
            reading = result["reading"]
            allowed = result.get("allowed", ())
            doubted = [one["doubt"] for one in reading.get("findings", ()) if one["decides"]]
            found[name] = ChartedReading(
                reading["value"], reading["unit"], None if result["verdict"] is None else Verdict(result["verdict"]),
                any(doubt not in allowed for doubt in doubted),
            )  # fmt: skip
        started = datetime.fromisoformat(document["started"])
        return cls(identifier, document["serial"], station, started, Verdict(document["verdict"]), found)


@dataclass(frozen=True, slots=True)
class LimitsFound:
    """Centre line and standard deviation of a chart, and where they come from."""

    centre: float
    sigma: float
    unit: str
    source: str
    skip: int = 0  # units at the beginning, which set the limits

    @property
    def told(self) -> str:
        """In words."""
        centre, sigma = show_quantity(self.centre, self.unit), show_quantity(self.sigma, self.unit)
        return f"centre line {centre}, sigma {sigma} ({self.source})"


@dataclass(frozen=True, slots=True)
class BatchCall:
    """A rule of a batch has called.

    Parameters
    ----------
    entry : its name in the recipe; rule : its words; of : the reading, empty for the unit as a whole.
    run : that completed the pattern; serials : of the units that make it.
    chart : where its limits come from; empty where units are counted.
    """

    entry: str
    rule: str
    of: str
    run: str
    serials: tuple[str, ...]
    then: str
    chart: str = ""

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What no other call has."""
        return self.entry, self.rule, self.of, self.run

    @property
    def told(self) -> str:
        """Which rule, of what, at which units."""
        units = ", ".join(self.serials) if len(self.serials) <= 8 else f"{self.serials[0]} … {self.serials[-1]}"
        what = f" {self.of}" if self.of else ""
        return f"`{self.entry}` calls:{what} {self.rule}: {units}" + (f"; {self.chart}" if self.chart else "")


class BatchCharts:
    """The rules of one batch at one station.

    Parameters
    ----------
    rules : as the recipe has them, by name; recipe, batch, station, simulated : which runs they look at.
    book : of the batch; while it is away, the runs that were seen before and those of this session count.
    """

    def __init__(
        self,
        rules: Mapping[str, StopRule],
        book: Logbook,
        journal: LineJournal,
        *,
        recipe: str,
        batch: str,
        station: str,
        simulated: bool,
    ) -> None:
        self._rules, self._book, self._journal = rules, book, journal
        self._recipe, self.batch, self._station, self._simulated = recipe, batch, station, simulated
        self._runs: dict[str, ChartedRun] = {}
        self._limits: dict[str, LimitsFound] = {}
        self._known: set[tuple[str, str, str, str]] = set()

    def begin(self) -> list[str]:
        """Find the limits that are known from the beginning, and what has called earlier; returns what is to be said.

        Raises
        ------
        Misuse : a batch that was to set limits has too few readings, or they do not scatter.
        """
        if not self._rules:
            return []
        self._read_new()
        lines = []
        for name in self._rules:
            limits = self._limits_of(name)
            if limits is not None:
                lines.append(f"`{name}`: {limits.told}")
            elif self._rules[name].chart is not None:
                lines.append(f"`{name}`: the first {self._rules[name].chart_first} units set the limits of the chart")
        calls = list(self.calls())
        self._known |= {call.key for call in calls}
        if calls:
            lines.append(f"rules called {len(calls)} times earlier in this batch; the last: {calls[-1].told}")
        return lines

    def take(self, outcome: Outcome) -> list[BatchCall]:
        """A unit was run; returns the calls that are new since, those by units of other stations included.

        Each is noted in the logbook once, whichever stations find it.

        Raises
        ------
        Misuse : the units that were to set the limits of a chart do not scatter: it would never call.
        """
        if not self._rules:
            return []
        self._read_new()
        if outcome.id not in self._runs:
            self._runs[outcome.id] = ChartedRun.of(outcome.id, outcome_as_json(outcome), self._station)
        new = [call for call in self.calls() if call.key not in self._known]
        self._known |= {call.key for call in new}
        if new:
            self._journal.write(*(self._noted(call) for call in new))
        return new

    def calls(self) -> Iterator[BatchCall]:
        """Every call of every rule on the units that are known, in the order of the recipe."""
        for name, rule in self._rules.items():
            yield from self._charted(name, rule) if rule.rules is not None else self._counted(name, rule)

    def left_out(self, name: str) -> int:
        """How many units have no point on the chart of a rule."""
        rule = self._rules[name]
        units = self._units(rule)
        return len(units) - len(_points(units, rule))

    def _charted(self, name: str, rule: StopRule) -> Iterator[BatchCall]:
        limits = self._limits_of(name)
        if limits is None or rule.rules is None:
            return
        points = _points(self._units(rule), rule)[limits.skip :]
        z = [(value - limits.centre) / limits.sigma for _, value in points]
        units = [run for run, _ in points]
        for call in calls_of(z, rule.rules.rules):
            yield _call(name, rule, str(rule.of), call, units, chart=limits.told)

    def _counted(self, name: str, rule: StopRule) -> Iterator[BatchCall]:
        assert rule.failed is not None
        units = self._units(rule)
        of = [""] if rule.of is None else [str(rule.of)]
        if rule.of == EACH:
            of = list(dict.fromkeys(reading for run in units for reading in run.readings))
        for reading in of:
            counted = [_verdict(run, reading) in rule.counting for run in units]
            for call in rule.failed.calls(counted):
                yield _call(name, rule, reading, call, units)

    def _limits_of(self, name: str) -> LimitsFound | None:
        """The limits of a chart; found once, noted, and never again from other units."""
        rule = self._rules[name]
        if rule.chart is None or rule.of is None:
            return None
        if name not in self._limits:
            found = self._noted_limits(name, rule) or self._new_limits(name, rule)
            if found is None:
                return None
            self._limits[name] = found
        return self._limits[name]

    def _new_limits(self, name: str, rule: StopRule) -> LimitsFound | None:
        assert rule.chart is not None
        of, units = str(rule.of), self._units(rule)
        unit = next((run.readings[of].unit for run in units if of in run.readings), "")
        if rule.chart.centre is not None:
            if not unit:  # the first unit says in which one the reading comes
                return None
            stated = rule.stated(unit)
            assert stated is not None
            found = LimitsFound(*stated, unit, "stated in the recipe")
        elif rule.chart.batch is not None:
            there = _first_runs(
                read_runs(self._book, Filter(recipe=self._recipe, batch=rule.chart.batch, simulated=self._simulated))
            )
            values = _points(there, rule)
            unit = next((run.readings[of].unit for run, _ in values), "")
            if len(values) < LEAST_FIRST:
                raise Misuse(
                    f"`stop_when.{name}`: batch `{rule.chart.batch}` has {len(values)} units with `{rule.of}`",
                    expected=f"at least {LEAST_FIRST}, of the recipe `{self._recipe}` on the same kind of bench",
                )
            found = _estimated(name, values, unit, f"the {len(values)} units of batch {rule.chart.batch}", 0)
        else:
            first = rule.chart_first
            values = _points(units, rule)[:first]
            if len(values) < first:
                return None
            found = _estimated(name, values, unit, f"the first {first} units of this batch", first)
        station = self._station if rule.stations is ChartStations.OWN else ""
        self._journal.write(
            note_now(
                NoteKind.LIMITS, station=self._station, id=id_from("limits", *self._limits_key(name, rule)),
                batch=self.batch, recipe=self._recipe, simulated=self._simulated, entry=name, of=str(rule.of),
                rules=[] if rule.rules is None else list(rule.rules.words), only=station, centre=found.centre,
                sigma=found.sigma, unit=found.unit, source=found.source, skip=found.skip,
            )
        )  # fmt: skip
        return self._noted_limits(name, rule) or found  # of two stations that find them at once, one is right

    def _noted_limits(self, name: str, rule: StopRule) -> LimitsFound | None:
        wanted = id_from("limits", *self._limits_key(name, rule))
        for note in self._journal.notes():
            if note.id == wanted:
                return LimitsFound(
                    note.says["centre"], note.says["sigma"], note.says["unit"], note.says["source"], note.says["skip"]
                )
        return None

    def _limits_key(self, name: str, rule: StopRule) -> tuple[object, ...]:
        """What a batch keeps the limits of a chart by: another reading or source is another chart."""
        assert rule.chart is not None
        chart = rule.chart
        station = self._station if rule.stations is ChartStations.OWN else ""
        source = (chart.centre, chart.sigma, chart.batch, chart.first)
        return self._recipe, self.batch, self._simulated, name, rule.of, rule.doubtful, station, *source

    def _noted(self, call: BatchCall) -> LineNote:
        return note_now(
            NoteKind.CALL, station=self._station, id=id_from("call", self._recipe, self.batch, *call.key),
            batch=self.batch, recipe=self._recipe, entry=call.entry, rule=call.rule, of=call.of, run=call.run,
            serials=list(call.serials), then=call.then, told=call.told,
        )  # fmt: skip

    def _units(self, rule: StopRule) -> list[ChartedRun]:
        own = rule.stations is ChartStations.OWN
        return _first_runs(run for run in self._runs.values() if not own or run.station == self._station)

    def _read_new(self) -> None:
        """Take over what the logbook has of the batch by now; nothing where it is away."""
        if (book := self._journal.book) is None:
            return
        which = Filter(recipe=self._recipe, batch=self.batch, simulated=self._simulated)
        try:
            for run in read_runs(book, which, known=self._runs):
                self._runs[run.id] = run
        except StorageFault:
            self._journal.is_away()


def read_runs(book: Logbook, which: Filter, *, known: Iterable[str] = ()) -> list[ChartedRun]:
    """The runs that a filter leaves, without those that are known already.

    Raises
    ------
    StorageFault : the logbook is away, or a run is not what was written.
    """
    seen = set(known)
    with book.reading() as connection:
        ids = [
            identifier
            for identifier in connection.execute(select(outcomes.c.id).where(*which.conditions())).scalars()
            if identifier not in seen
        ]
        found: list[Any] = []
        for first in range(0, len(ids), CHUNK):
            query = select(outcomes.c.id, outcomes.c.station, outcomes.c.document).where(
                outcomes.c.id.in_(ids[first : first + CHUNK])
            )
            found += connection.execute(query).all()
    try:
        return [ChartedRun.of(row.id, json.loads(row.document), row.station) for row in found]
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise StorageFault(
            f"a run of the batch is not what was written: {type(fault).__name__}: {fault}",
            where=book.where,
            do="`wavewright logbook verify` says what has changed",
        ) from fault


def _first_runs(runs: Iterable[ChartedRun]) -> list[ChartedRun]:
    """The first run of each unit, in the order of time: a retest adds none."""
    first: dict[str, ChartedRun] = {}
    for run in sorted(runs, key=lambda run: (run.started, run.id)):
        first.setdefault(run.serial or run.id, run)
    return list(first.values())


def _points(units: Sequence[ChartedRun], rule: StopRule) -> list[tuple[ChartedRun, float]]:
    """The units that have a point on the chart of a rule, and its value."""
    found = []
    for run in units:
        reading = run.readings.get(str(rule.of))
        if reading is None or reading.value is None or not math.isfinite(reading.value):
            continue
        if reading.is_doubtful and rule.doubtful is DoubtfulPoints.LEFT_OUT:
            continue
        found.append((run, reading.value))
    return found


def _estimated(name: str, points: Sequence[tuple[ChartedRun, float]], unit: str, source: str, skip: int) -> LimitsFound:
    """Mean, and mean moving range over d2, of an individuals chart."""
    chart, _ = individuals_chart([value for _, value in points])
    sigma = (chart.high - chart.centre) / 3
    if not sigma > 0:
        raise Misuse(
            f"`stop_when.{name}`: {source} do not scatter: every reading is {show_quantity(chart.centre, unit)}",
            expected="readings that differ",
            do="state `centre` and `sigma`",
        )
    return LimitsFound(chart.centre, sigma, unit, source, skip)


def _verdict(run: ChartedRun, reading: str) -> Verdict | None:
    if not reading:
        return run.verdict
    found = run.readings.get(reading)
    if found is None:  # the run ended before it
        return Verdict.ERROR if run.verdict is Verdict.ERROR else None
    return found.verdict


def _call(
    name: str, rule: StopRule, of: str, call: RuleCall, units: Sequence[ChartedRun], *, chart: str = ""
) -> BatchCall:
    made = units[call.index - call.count + 1 : call.index + 1]
    serials = tuple(run.serial or run.id for run in made)
    return BatchCall(name, call.rule, of, units[call.index].id, serials, str(rule.then), chart)
