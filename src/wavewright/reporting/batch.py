"""The report of many runs: yield, Pareto of failures, distribution, capability and control charts of each reading."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from os.path import relpath
from pathlib import Path

from wavewright.durable_files import write_whole
from wavewright.errors import Misuse, StorageFault
from wavewright.judgement.shown import last_place
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.book import Logbook, find_id
from wavewright.logbook.declared_fields import declared_in
from wavewright.logbook.line_notes import LineNote, NoteKind, notes_in
from wavewright.logbook.queries import Filter, Point, RunEntry, entries, points, reading_names
from wavewright.logbook.studies.capability import Capability, capability
from wavewright.logbook.studies.pareto import ParetoRow, pareto
from wavewright.logbook.studies.proportions import Proportion, final_yield, first_pass_yield, no_runs
from wavewright.logbook.unit_verdicts import UnitResult, unit_results
from wavewright.reporting.called_charts import called_picture
from wavewright.reporting.catalogue import write_report
from wavewright.reporting.chart_pictures import control_pictures, histogram_picture, pareto_picture
from wavewright.reporting.html import render
from wavewright.reporting.junit import batch_junit
from wavewright.reporting.picture import Picture


@dataclass(frozen=True, slots=True, eq=False)
class ReadingStudy:
    """One reading over all runs; `capability` is None where there is no limit or no scatter."""

    anchor: str
    name: str
    unit: str
    points: tuple[Point, ...]
    failed: int
    capability: Capability | None
    pictures: tuple[Picture, ...]
    by_run: Mapping[str, Point]

    @property
    def last_digit(self) -> float | None:
        """What the last digit of mean and standard deviation stands for: the second one of the latter."""
        return None if self.capability is None else 10.0 ** last_place(self.capability.standard_deviation)


@dataclass(frozen=True, slots=True, eq=False)
class BatchStudy:
    """Many runs together.

    Parameters
    ----------
    first_pass : counts units whose first run passed; final : those that passed by the rule for retests of their recipe,
        without one in their last run, and are not in quarantine.
    notes : of the line, about the batches of these runs: limits of charts, and rules that called.
    declared : by run, its declared fields by name.
    """

    runs: tuple[RunEntry, ...]
    units: tuple[UnitResult, ...]
    notes: tuple[LineNote, ...]
    first_pass: Proportion
    final: Proportion
    pareto: tuple[ParetoRow, ...]
    readings: tuple[ReadingStudy, ...]
    declared: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @property
    def declared_names(self) -> tuple[str, ...]:
        """The names of all declared fields, in the order in which they come up."""
        return tuple(dict.fromkeys(name for fields in self.declared.values() for name in fields))

    @property
    def simulated(self) -> int:
        """How many of the runs were on a simulated bench."""
        return sum(run.simulated for run in self.runs)

    @property
    def failed_units(self) -> tuple[tuple[RunEntry, tuple[str, ...]], ...]:
        """The last run of each unit that has not passed, with the names of its readings that did not."""
        not_passed: dict[str, list[str]] = {}
        for one in self.readings:
            for point in one.points:
                if point.verdict not in (None, "", Verdict.PASS):
                    not_passed.setdefault(point.outcome, []).append(one.name)
        return tuple(
            (one.runs[-1], tuple(dict.fromkeys(name for run in one.runs for name in not_passed.get(run.id, ()))))
            for one in self.units
            if one.verdict is not Verdict.PASS
        )

    @property
    def in_quarantine(self) -> tuple[str, ...]:
        """Serial numbers of the units that are set apart now."""
        return tuple(one.serial for one in self.units if one.quarantine)

    @property
    def unit_rows(self) -> tuple[UnitResult, ...]:
        """The units of which more is to be said than one verdict: run again, or in quarantine."""
        return tuple(one for one in self.units if len(one.runs) > 1 or one.quarantine)

    @property
    def calls(self) -> tuple[LineNote, ...]:
        """Rules that called, in order."""
        return tuple(note for note in self.notes if note.kind is NoteKind.CALL)

    @property
    def answers(self) -> tuple[LineNote, ...]:
        """Who let a batch go on after a call."""
        return tuple(note for note in self.notes if note.kind is NoteKind.ANSWER)

    @property
    def rule_pictures(self) -> tuple[Picture, ...]:
        """The chart of each rule that has one."""
        first = {one.runs[0].id for one in self.units}
        there = {one.name: [point for point in one.points if point.outcome in first] for one in self.readings}
        return tuple(
            called_picture(
                f"rule{number}",
                note,
                there.get(note.says["of"], []),
                [
                    call
                    for call in self.calls
                    if (call.says["entry"], call.says["batch"]) == (note.says["entry"], note.says["batch"])
                ],
            )
            for number, note in enumerate(self.notes)
            if note.kind is NoteKind.LIMITS
        )

    def readings_of(self, run: RunEntry) -> tuple[Point | None, ...]:
        """What each of `readings` was in a run; None where it has none."""
        return tuple(one.by_run.get(run.id) for one in self.readings)


def study_batch(book: Logbook, which: Filter | None = None, *, ids: Sequence[str] | None = None) -> BatchStudy:
    """Statistics over the runs that match a filter, or that are named.

    Raises
    ------
    Misuse : there are none, or one of the ids names none.
    """
    runs = entries(book, which)
    if ids:
        with book.reading() as connection:
            wanted = {find_id(connection, name) for name in ids}
        runs = [run for run in runs if run.id in wanted]
    if not runs:
        raise no_runs()
    runs = runs[::-1]
    kept = {run.id for run in runs}
    studied = [
        _study(f"r{number}", name, unit, [point for point in points(book, name, which) if point.outcome in kept])
        for number, (name, unit) in enumerate(reading_names(book).items(), 1)
    ]
    studied = [one for one in studied if one.points]
    failures = [one.name for one in studied for point in one.points if point.verdict == "fail"]
    units = unit_results(book, runs)
    with book.reading() as connection:
        declared = declared_in(connection, [run.id for run in runs])
    return BatchStudy(
        runs=tuple(runs),
        units=units,
        notes=batch_notes(book, {run.batch for run in runs} - {""}),
        first_pass=first_pass_yield([(one.serial, one.runs[0].verdict == "pass") for one in units]),
        final=final_yield([(one.serial, one.is_good) for one in units]),
        pareto=pareto(failures),
        readings=tuple(sorted(studied, key=lambda one: (-one.failed, one.name))),
        declared=declared,
    )


def batch_notes(book: Logbook, batches: Collection[str]) -> tuple[LineNote, ...]:
    """What rules have said in batches, and where their charts have their limits from."""
    kinds = (NoteKind.LIMITS, NoteKind.CALL, NoteKind.ANSWER)
    return tuple(note for note in notes_in(book) if note.kind in kinds and note.says.get("batch") in batches)


def batch_report(study: BatchStudy, *, reports: str = "") -> str:
    """The HTML page of a batch.

    Parameters
    ----------
    reports : folder, from where the page is, with the report of each run, `ID.html`; empty where there is none.
    """
    pictures = [pareto_picture("all", study.pareto)] if study.pareto else []
    return render("batch.html.j2", study=study, pictures=pictures, has_pictures=True, reports=reports)


def write_batch_report(
    book: Logbook,
    path: Path,
    which: Filter | None = None,
    *,
    ids: Sequence[str] | None = None,
    reports: Path | None = None,
) -> int:
    """Write the report to a file, a page or JUnit XML by its extension; returns how many runs it is about.

    Parameters
    ----------
    reports : folder for the report of each run, to which the page leads then.

    Raises
    ------
    Misuse : no runs, or a file extension that is neither HTML's nor JUnit XML's.
    StorageFault : a file cannot be written.
    """
    kind = path.suffix.lower()
    if kind not in (".html", ".htm", ".xml"):
        raise Misuse(f"file extension `{path.suffix}` of {path}", expected="a batch report is .html or .xml")
    study = study_batch(book, which, ids=ids)
    if kind == ".xml":
        content = batch_junit(book.outcome(run.id) for run in study.runs)
    else:
        content = batch_report(study, reports=_written_reports(book, study, reports, beside=path))
    try:
        write_whole(path, content)
    except OSError as fault:
        raise StorageFault(f"the report cannot be written: {fault.strerror or fault}", where=str(path)) from fault
    return len(study.runs)


def _written_reports(book: Logbook, study: BatchStudy, folder: Path | None, *, beside: Path) -> str:
    """Write the report of each run; returns the folder as the page names it, empty without one."""
    if folder is None:
        return ""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise StorageFault(f"the folder cannot be made: {fault.strerror}", where=str(folder)) from fault
    for run in study.runs:
        write_report(book.outcome(run.id), folder / f"{run.id}.html")
    return Path(relpath(folder.resolve(), beside.resolve().parent)).as_posix()


def _study(anchor: str, name: str, unit: str, found: list[Point]) -> ReadingStudy:
    values = [point.value for point in found if point.value is not None]
    pictures: list[Picture] = []
    if values:
        pictures = [histogram_picture(anchor, name, found, unit), *control_pictures(anchor, name, found, unit)]
    failed = sum(point.verdict == "fail" for point in found)
    by_run = {point.outcome: point for point in found}
    return ReadingStudy(anchor, name, unit, tuple(found), failed, _capability(values, found), tuple(pictures), by_run)


def _capability(values: list[float], found: list[Point]) -> Capability | None:
    """With the limits of the newest run; other runs may have had others."""
    low, high = (found[-1].low, found[-1].high) if found else (None, None)
    if low is None and high is None:
        return None
    try:
        return capability(
            values, low=-float("inf") if low is None else low, high=float("inf") if high is None else high
        )
    except Misuse:  # one value, or no scatter at all
        return None
