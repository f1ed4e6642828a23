"""The report of one run: a self-contained HTML file, to be mailed, printed and kept."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from wavewright.errors import FileFault, Misuse, StorageFault
from wavewright.instruments.vocabulary import unit_of
from wavewright.quantities import Quantity, show_quantity
from wavewright.reporting.applied_corrections import applied_corrections
from wavewright.reporting.attached import shown_attachments
from wavewright.reporting.budget_table import BUDGET_HEADINGS, budget_lines, budget_rows
from wavewright.reporting.catalogue import report_format
from wavewright.reporting.chart_script import chart_script, chart_style
from wavewright.reporting.line_marks import line_marks
from wavewright.reporting.logged_reading import shown_point
from wavewright.reporting.margin_bar import margin_bar
from wavewright.reporting.page_policy import PLACE, with_policy
from wavewright.reporting.picture import Picture
from wavewright.reporting.pictures import pictures_of
from wavewright.reporting.sweep_pictures import sweep_pictures
from wavewright.running.outcome import Outcome
from wavewright.running.readings_table import (
    HEADINGS,
    NOTHING,
    REMARKS,
    ReadingRow,
    on_which_bench,
    reading_rows,
    shown_verdict,
)
from wavewright.running.result import MeasurementOutcome, Result
from wavewright.running.time_spent import time_line

if TYPE_CHECKING:
    from jinja2 import Environment

    from wavewright.recipe.recipe import Recipe

OVER_ALL = frozenset({"rare_shots", "violations"})  # one number for all shots together
LARGEST = 1e300  # a setting beyond it comes from a damaged file
CODES_BUDGET = 900_000  # bytes of raw codes in one report; zooming in on the rest shows its columns. A report of an
# end-of-line check stays below 1.5 MB with it, even where noise cannot be deflated: 4/3 of it in base64, 0.1 MB script


@dataclass(frozen=True, slots=True)
class Section:
    """One measurement of the report: the stored outcome, its rows of the table of readings, and its pictures.

    `together` : pictures of all conditions of the measurement, in the section of the first.
    `missing` : why there are no pictures, where what was kept cannot be read.
    """

    anchor: str
    one: MeasurementOutcome
    rows: tuple[ReadingRow, ...]
    pictures: tuple[Picture, ...]
    together: tuple[Picture, ...] = ()
    missing: str = ""

    @property
    def budgets(self) -> tuple[ReadingRow, ...]:
        """The rows whose readings have a budget."""
        return tuple(row for row in self.rows if row.result is not None and budget_rows(row.result.reading))


@report_format("html", ".html", ".htm")
def html(outcome: Outcome) -> str:
    """HTML report in one file: verdict, readings with margins, plots that zoom, settings, evidence."""
    return render("report.html.j2", **report_values(outcome))


def report_values(outcome: Outcome) -> dict[str, Any]:
    """What the template of the report is filled with."""
    recipe, caution = _recipe(outcome)
    sections: list[Section] = []
    budget = CODES_BUDGET
    for number, one in enumerate(outcome.measurements, 1):
        pictures, missing = _drawn(outcome, one, recipe, f"m{number}", budget)
        budget -= sum(picture.record_bytes for picture in pictures)
        alike = [other for other in outcome.measurements if other.name == one.name]
        together = tuple(sweep_pictures(outcome, alike, anchor=f"m{number}")) if one is alike[0] else ()
        sections.append(Section(f"m{number}", one, tuple(reading_rows([one])), pictures, together, missing))
    return {
        "outcome": outcome,
        "sections": sections,
        "cautions": recipe.cautions if recipe else (),
        "caution": caution,
        "attached": shown_attachments(outcome),
        "has_pictures": any(section.pictures or section.together for section in sections),
    }


def _drawn(
    outcome: Outcome, one: MeasurementOutcome, recipe: Recipe | None, anchor: str, budget: int
) -> tuple[tuple[Picture, ...], str]:
    """The pictures of a measurement, or why there are none although shots were taken."""
    if one.shots and one.label not in outcome.captures:
        return (), "No pictures: the captures of this measurement were not kept."
    try:
        return tuple(pictures_of(outcome, one, recipe, anchor=anchor, budget=budget)), ""
    except (StorageFault, FileFault) as fault:
        return (), f"No pictures: {fault}"


def render(template: str, **values: Any) -> str:
    """A page from a template of this package; every text in it is escaped unless the template says that it is safe."""
    return with_policy(environment().get_template(template).render(**values))


@cache
def environment(beside: str = "") -> Environment:
    """Templates of this package with what they call.

    Parameters
    ----------
    beside : a folder of `wavewright.pages` whose templates are found as well.
    """
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    more = [PackageLoader("wavewright.pages", beside)] if beside else []
    environment = Environment(
        loader=ChoiceLoader([PackageLoader("wavewright.reporting"), *more]), autoescape=True,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.globals.update(
        applied_corrections=applied_corrections, margin_bar=margin_bar, shown=shown,
        shown_point=shown_point, shown_setting=shown_setting,
        budget_rows=budget_rows, budget_lines=budget_lines, BUDGET_HEADINGS=BUDGET_HEADINGS, joined_over=joined_over,
        shown_verdict=shown_verdict, on_which_bench=on_which_bench, chart_script=chart_script, chart_style=chart_style,
        time_line=time_line, line_marks=line_marks,
        NOTHING=NOTHING, POLICY=PLACE, HEADINGS=HEADINGS, REMARKS=REMARKS,
    )  # fmt: skip
    return environment


def shown(value: float | None, unit: str, uncertainty: float | None = None) -> str:
    """A number as the report shows it."""
    return NOTHING if value is None else show_quantity(value, unit, uncertainty=uncertainty)


def shown_setting(value: object, name: str) -> str:
    """A setting as it was requested or read back, with its unit."""
    if isinstance(value, bool):
        return "on" if value else "off"
    if not isinstance(value, int | float):
        return str(value).replace("_", " ")
    if not -LARGEST <= value <= LARGEST:  # not a number among them
        return str(value)
    return str(Quantity(float(f"{value:.6g}"), unit_of(name)))


def joined_over(result: Result, shots: int) -> str:
    """How one reading came from several shots; empty where there was one."""
    if shots < 2:
        return ""
    return f"over all {shots} shots" if result.metric in OVER_ALL else f"{result.over} of {shots} shots"


def _recipe(outcome: Outcome) -> tuple[Recipe | None, str]:
    """The recipe of the run as this version reads it; None and why, where it does not."""
    from wavewright.recipe.stored_recipe import parse_stored_recipe

    try:
        return parse_stored_recipe(outcome.recipe.text, outcome.recipe.file, set=outcome.parameters), ""
    except (FileFault, Misuse) as fault:
        return None, f"This version does not read the recipe of the run, so nothing is marked in the plots. {fault}"
