"""A recipe with what it says of the line, and outcomes of units that read what a test wants."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from tests.logbook.made_outcomes import outcome
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.batch_charts import BatchCall, BatchCharts
from wavewright.logbook.batch_line import BatchLine
from wavewright.logbook.batch_run import BatchDone, run_batch
from wavewright.logbook.book import Logbook
from wavewright.logbook.golden_duty import GoldenDue, GoldenPlace
from wavewright.logbook.unit_admission import LineRecords
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.running.outcome import Origin, Outcome

BODY = """\
measurements:
  rail_noise:
    channels:
      rail: {input: 1, coupling: ac, range: 100 mV}
    timebase: {span: 40 us, rate: 25 MHz}
    compute:
      ripple: {metric: peak_to_peak, of: rail, limit: at most 40 mV, over: max}
"""


def recipe_with(words: str) -> Recipe:
    """The recipe of the rail's ripple with other keys at its head."""
    return parse_recipe(f"wavewright: 1\ntitle: VC-204 rail\n{words}\n{BODY}", "rail_ripple.yaml")


@dataclass
class HeardLine:
    """A desk of a line that writes down what it is told; golden units are put in as long as `has_golden`."""

    told: list[str] = field(default_factory=list)
    has_golden: bool = True
    goes_on: bool = False
    golden_runs: list[str] = field(default_factory=list)

    def refused(self, serial: str, why: str) -> None:
        self.told.append(f"{serial} {why}")

    def judged(self, outcome: Outcome, done: BatchDone) -> None:
        self.told.append(f"{outcome.serial} {outcome.verdict}")

    def stopped(self, why: str) -> None:
        self.told.append(f"stopped: {why}")

    def golden(self, due: GoldenDue) -> bool:
        self.told.append(due.told)
        return self.has_golden

    def measured_golden(self, outcome: Outcome) -> None:
        self.golden_runs.append(f"{outcome.serial} {outcome.verdict}")

    def retest(self, serial: str, number: int, at_most: int, verdict: Verdict) -> bool:
        self.told.append(f"{serial} again, {number} of {at_most}")
        return True

    def called(self, call: BatchCall) -> None:
        self.told.append(call.told)

    def may_go_on(self, call: BatchCall) -> bool:
        return self.goes_on

    def say(self, text: str) -> None:
        self.told.append(text)


@dataclass
class MadeLine:
    """A station with a logbook, whose units read what `values` says: one value, or one per run."""

    folder: Path
    words: str
    values: Mapping[str, float | list[float]] = field(default_factory=dict)
    station: str = "line_1"
    batch: str = "lot"
    book: Logbook | None = None
    heard: HeardLine = field(default_factory=HeardLine)
    others: str = ""

    def __post_init__(self) -> None:
        self.book = self.book or Logbook(self.folder / "logbook.sqlite")
        self.recipe = recipe_with(self.words)
        self.place = GoldenPlace.of(self.recipe, bench_sha256="b", station=self.station, simulated=False)
        self.records = LineRecords.of(self.book, self.folder / "spool", identity=self.book.identity)
        self._numbers: Iterator[int] = iter(range(10_000))
        self._runs: dict[str, int] = {}

    def run_one(self, serial: str) -> Outcome:
        """Run a unit and enter it, as a run does."""
        assert self.book is not None
        given = self.values.get(serial, 0.030)
        number = self._runs[serial] = self._runs.get(serial, -1) + 1
        value = given[min(number, len(given) - 1)] if isinstance(given, list) else given
        text = self.recipe.text
        made = replace(
            outcome(next(self._numbers), serial=serial, value=value),
            recipe=Origin("rail_ripple.yaml", text, hashlib.sha256(text.encode()).hexdigest()),
            operator="R. Okafor",
        )
        return replace(made, id=self.book.enter(made, station=self.station, batch=self.batch))

    def line(self, run_one: Callable[[str], Outcome] | None = None) -> BatchLine:
        """What the recipe says of the line."""
        assert self.book is not None
        charts = BatchCharts(
            self.recipe.stop_when, self.book, self.records.journal, recipe="rail_ripple", batch=self.batch,
            station=self.station, simulated=False,
        )  # fmt: skip
        return BatchLine(
            self.recipe, self.records, self.place, charts, self.heard, run_one or self.run_one, "R. Okafor"
        )

    def run(self, *serials: str) -> BatchDone:
        """Run a batch of these units."""
        assert self.book is not None
        return run_batch(
            serials, self.run_one, book=self.book, recipe="rail_ripple", batch=self.batch, line=self.line(),
            desk=self.heard,
        )  # fmt: skip
