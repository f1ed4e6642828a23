"""Measuring: one or many metrics on one or more waveforms, each waveform surveyed once."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, overload

import numpy as np

from wavewright.analysis.catalogue import METRICS, Metric
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.findings import doubted, parts_of
from wavewright.analysis.front_end.front_end import FrontEnd
from wavewright.analysis.levels.state_levels import LevelChoice, LevelMethod
from wavewright.analysis.parameters import check_units
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.analysis.uncertainty.affine import Change
from wavewright.analysis.uncertainty.influences import NO_FURTHER, Influences, InputOfReading
from wavewright.analysis.uncertainty.propagation import with_budget
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Waveform, listed_waveforms

StatedOfInputs = Accuracy | Mapping[str, Accuracy] | None
ChangedSurveys = Callable[[Change], Sequence[Survey]]

LARGEST = (1e-150, 1e150)  # magnitudes whose squares float64 holds with all digits
DUST_OF_CODE = 1e-9  # of a code step: no average over a record resolves it
DUST_OF_LARGEST = 4 * sys.float_info.epsilon  # of the largest sample: what rounding leaves of a difference


@overload  # a str is a sequence of str as well; the first signature is the one that is meant for it
def measure(  # type: ignore[overload-overlap]
    waves: Waveform | Sequence[Waveform], metrics: str, *, accuracy: StatedOfInputs = None, **options: object
) -> Reading: ...


@overload
def measure(
    waves: Waveform | Sequence[Waveform], metrics: Sequence[str], *, accuracy: StatedOfInputs = None, **options: object
) -> dict[str, Reading]: ...


def measure(
    waves: Waveform | Sequence[Waveform],
    metrics: str | Sequence[str],
    *,
    accuracy: StatedOfInputs = None,
    **options: object,
) -> Reading | dict[str, Reading]:
    """Measure a waveform, or several where the metric is between channels.

    Parameters
    ----------
    waves : one waveform, or a sequence of them: first, second, ….
    metrics : the name of one metric, or several, which share one pass over the record.
    accuracy : what is stated of the inputs: one for all waveforms, or by their names. Readings then have a budget.
    options : of the metric, as text (`low="20 %"`) or as numbers in SI units. Where several metrics are asked for,
        each option goes to those that have it, and at least one must.

    Returns
    -------
    The reading, or for several metrics a dict of them by name. Where there was nothing to measure, its value is None
    and its `reason` says why.

    Raises
    ------
    Misuse : an unknown metric or option, or the wrong number of waveforms; an accuracy of another waveform; something
        else than waveforms.

    Examples
    --------
    >>> ramp = Waveform.from_volts([0.0, 1.0, 2.0], interval=1e-3)
    >>> measure(ramp, "maximum").value
    2.0
    >>> round(measure(ramp, "maximum", accuracy=Accuracy(gain="1 %", offset="1 mV")).budget.expanded(), 4)
    0.019
    """
    surveys = [Survey(wave) for wave in listed_waveforms(waves)]
    inputs = None if accuracy is None else _inputs(surveys, accuracy)
    if isinstance(metrics, str):
        return measure_surveys(surveys, METRICS.find(metrics), options, inputs=inputs)
    return {
        entry.name: measure_surveys(surveys, entry, chosen, inputs=inputs)
        for entry, chosen in options_of_each(metrics, options)
    }


def options_of_each(metrics: Sequence[str], options: Mapping[str, Any]) -> list[tuple[Metric, dict[str, Any]]]:
    """Several metrics, each with those of the options that it has.

    Raises
    ------
    Misuse : an unknown metric, or an option that none of them has.
    """
    entries = [METRICS.find(name) for name in metrics]
    if not options:
        return [(entry, {}) for entry in entries]
    known = [{parameter.name for parameter in entry.parameters} for entry in entries]
    if unknown := set(options) - set().union(*known):
        raise Misuse(
            f"unknown option `{min(unknown)}`: none of the metrics {', '.join(metrics)} has it",
            expected=f"one of {', '.join(sorted(set().union(*known)))}",
        )
    return [
        (entry, {key: options[key] for key in options if key in names})
        for entry, names in zip(entries, known, strict=True)
    ]


def check_count(metric: Metric, count: int) -> None:
    """Raise Misuse if a metric is not of this number of waveforms."""
    fewest, most = metric.channels
    if not fewest <= count <= most:
        raise Misuse(
            f"metric `{metric.name}` got {count} waveforms",
            expected=f"{fewest}" if fewest == most else f"{fewest} to {most}",
        )


def measure_surveys(
    surveys: Sequence[Survey],
    metric: Metric,
    options: dict[str, Any],
    *,
    front_ends: Sequence[FrontEnd | None] = (),
    inputs: Sequence[InputOfReading] | None = None,
    changed: ChangedSurveys | None = None,
    further: Influences = NO_FURTHER,
) -> Reading:
    """Measure what has been surveyed already: for callers that keep surveys between metrics.

    Parameters
    ----------
    front_ends : what is known about the way of each channel; nothing where it is left out.
    inputs : the captured channels that the surveys come from, with what is stated of them; None: the reading shall have
        no budget.
    changed : what becomes of the surveys when these channels change; left out where the surveys are of them.
    further : errors that are not of one of these channels.

    Raises
    ------
    Misuse : an option that does not fit, or the wrong number of waveforms.
    """
    check_count(metric, len(surveys))
    read = metric.options(options)
    check_units(read, [survey.unit for survey in surveys])
    choice = _level_choice(read) if metric.reads_levels else None
    at_levels = surveys if choice is None else [survey.at_levels(choice) for survey in surveys]
    unit = metric.unit_of([survey.unit for survey in surveys])
    try:
        reading = _without_dust(_computed(metric, at_levels, read), metric, at_levels)
    except NotMeasurable as fault:
        reading = Reading(value=None, unit=unit, reason="; ".join(str(fault).split("\n  ")))
    found = doubted(Read(reading, at_levels, parts_of(metric.reads, read), read, front_ends, metric.name))
    if inputs is None:
        return found

    def evaluate(change: Change) -> float | None:
        try:
            again = _changed(surveys, inputs, change) if changed is None else changed(change)
            if choice is not None:
                again = [survey.at_levels(choice) for survey in again]
            return _without_dust(_computed(metric, again, read), metric, again).value
        except NotMeasurable:
            return None

    return with_budget(found, inputs, evaluate, parts=metric.reads, further=further)


def _changed(surveys: Sequence[Survey], inputs: Sequence[InputOfReading], change: Change) -> Sequence[Survey]:
    """The surveys of the changed waveforms, each that of an input."""
    return [
        change[one.name].survey(survey) if one.name in change else survey
        for survey, one in zip(surveys, inputs, strict=True)
    ]


def _inputs(surveys: Sequence[Survey], accuracy: Accuracy | Mapping[str, Accuracy]) -> list[InputOfReading]:
    """Each waveform with its accuracy; two without a name are two inputs."""
    names = [survey.wave.name or f"{survey.name} {number}" for number, survey in enumerate(surveys, 1)]
    if not isinstance(accuracy, Accuracy | Mapping):
        raise Misuse(f"`accuracy` is `{accuracy}`", expected="an Accuracy, or several by the names of the waveforms")
    if isinstance(accuracy, Accuracy):
        return [InputOfReading(name, survey, accuracy) for name, survey in zip(names, surveys, strict=True)]
    if unknown := set(accuracy) - set(names):
        raise Misuse(
            f"an accuracy of `{min(unknown)}`, and no such waveform",
            expected=f"names of waveforms: {', '.join(names)}",
        )
    return [InputOfReading(name, survey, accuracy.get(name)) for name, survey in zip(names, surveys, strict=True)]


def _without_dust(reading: Reading, metric: Metric, surveys: Sequence[Survey]) -> Reading:
    if not metric.unit and reading.value and abs(reading.value) < _dust(surveys):
        return replace(reading, value=0.0)
    return reading


def _computed(metric: Metric, surveys: Sequence[Survey], read: dict[str, Any]) -> Reading:
    """The reading; of samples whose squares float64 does not hold, only if nothing was lost on the way.

    Raises
    ------
    NotMeasurable : there is nothing to measure, or squares and products went beyond what float64 holds.
    """
    extreme = next((survey for survey in surveys if _is_extreme(survey)), None)
    if extreme is None:
        return metric.compute(*surveys, **read)
    try:
        with np.errstate(all="raise"):
            reading = metric.compute(*surveys, **read)
        if reading.value is not None and math.isfinite(reading.value):
            return reading
    except ArithmeticError:
        pass
    raise NotMeasurable(
        f"`{extreme.name}`: `{metric.name}` of its samples is beyond what float64 holds",
        expected=f"values between about {LARGEST[0]:g} and {LARGEST[1]:g}",
        do="state the scale in another unit",
    )


def _dust(surveys: Sequence[Survey]) -> float:
    """Below it a reading in the unit of the first waveform is as good as 0: rounding of floats, no signal."""
    first = surveys[0]
    if not first.record.codes.size:
        return 0.0
    return max(DUST_OF_CODE * first.record.step, DUST_OF_LARGEST * _largest(first))


def _is_extreme(survey: Survey) -> bool:
    if not survey.record.codes.size:
        return False
    largest = _largest(survey)
    return largest > LARGEST[1] or 0 < largest < LARGEST[0]


def _largest(survey: Survey) -> float:
    """The largest magnitude of a sample, in the waveform's unit."""
    return survey.once("largest", lambda: max(abs(survey.wave.value_of(code)) for code in survey.extremes))


def _level_choice(options: dict[str, Any]) -> LevelChoice:
    """Take the options that choose the state levels out of the others."""
    method = options.pop("levels", LevelMethod.AUTO)
    declared = [options.pop(name, None) for name in ("low_state", "high_state")]
    for level in declared:
        if level is not None and level.is_ratio:
            raise Misuse(
                f"a state is declared as `{level}`", expected="a value in the waveform's unit, such as `3.3 V`"
            )
    low, high = (None if level is None else level.number for level in declared)
    return LevelChoice(method, low, high)
