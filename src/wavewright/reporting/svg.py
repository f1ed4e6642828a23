"""The pictures of one measurement of a run as SVG or PNG, for a document, a page or a message that shows no scripts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from wavewright.displays import display
from wavewright.errors import Misuse
from wavewright.plot import png_of
from wavewright.reporting.catalogue import report_format
from wavewright.reporting.drawing.svg_picture import svg_picture
from wavewright.reporting.drawn_shot import recipe_as_read, urgency
from wavewright.reporting.picture import Picture
from wavewright.reporting.pictures import pictures_of
from wavewright.reporting.sweep_pictures import sweep_pictures
from wavewright.running.outcome import Outcome
from wavewright.running.readings_table import shown_value
from wavewright.running.result import MeasurementOutcome

MOST_RESULTS = 8


@report_format("svg", ".svg")
def svg(outcome: Outcome) -> str:
    """SVG pictures of one measurement: the decisive shot, with limits and marks, spectrum, density, eye.

    Raises
    ------
    Misuse : no measurement of the run has a shot that can be drawn.
    """
    one, pictures = drawn_measurement(outcome)
    lines = list(told_results(one, len(outcome.measurements)))
    return svg_picture(pictures, title=headline(outcome, one), lines=lines)


@report_format("png", ".png")
def png(outcome: Outcome) -> bytes:
    """PNG: the same in pixels, where a document takes no SVG.

    Raises
    ------
    Misuse : as for SVG.
    """
    return png_of(svg(outcome))


@display("plot of an outcome")
def plot_of(outcome: Outcome, label: str) -> str:
    """The pictures of the measurement of that label, or of all conditions of that name the worst."""
    kept = tuple(one for one in outcome.measurements if label in (one.name, one.label))
    one, pictures = drawn_measurement(replace(outcome, measurements=kept))
    return svg_picture(pictures, title=headline(outcome, one), lines=list(told_results(one, 1)))


def headline(outcome: Outcome, one: MeasurementOutcome) -> str:
    """Which unit, which measurement, and its verdict."""
    unit = " ".join(word for word in (outcome.part, outcome.serial) if word)
    simulated = ", simulated bench" if outcome.is_simulated else ""
    return f"{outcome.title}{f', {unit}' if unit else ''}: {one.label}, {one.verdict or 'not judged'}{simulated}"


def drawn_measurement(outcome: Outcome) -> tuple[MeasurementOutcome, list[Picture]]:
    """The measurement with the worst verdict of those that have a shot, and its pictures; those of its sweep too.

    Raises
    ------
    Misuse : none has a shot, or none that can be read.
    """
    recipe = recipe_as_read(outcome)
    for one in sorted(outcome.measurements, key=lambda each: -1 if each.verdict is None else -each.verdict.severity):
        if pictures := list(pictures_of(outcome, one, recipe, anchor="picture", budget=0)):
            sweep = [each for each in outcome.measurements if each.name == one.name]
            return one, [*pictures, *(sweep_pictures(outcome, sweep, anchor="sweep") if len(sweep) > 1 else ())]
    raise Misuse(f"no shot of `{outcome.title}` was kept", expected="captures beside the outcome")


def told_results(one: MeasurementOutcome, measurements: int) -> Iterator[str]:
    """A line for each result of the measurement that is drawn, the most urgent one first."""
    results = sorted(one.results, key=urgency)
    for result in results[:MOST_RESULTS]:
        limit = f", limit {result.limit}" if result.limit else ""
        verdict = "" if result.verdict is None else f": {result.verdict}"
        yield f"{result.name} {shown_value(result)}{limit}{verdict}"
    if len(results) > MOST_RESULTS:
        yield f"and {len(results) - MOST_RESULTS} more"
    if measurements > 1:
        yield f"drawn: 1 of {measurements} measurements, the worst; `--measurement` selects another"
