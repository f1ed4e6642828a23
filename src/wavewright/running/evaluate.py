"""From captures to readings, and from readings to results: pure, so that kept captures can be evaluated again.

The runner calls `readings_of` once a shot, while the shot is in memory, and `results_of` when all shots are in.
Recomputing an archived run calls the same two.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from wavewright.analysis.catalogue import find_metric
from wavewright.analysis.measure import measure_surveys
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.survey import Survey
from wavewright.judgement.judge import judge
from wavewright.recipe.computation import Computation
from wavewright.running.outcome import Result
from wavewright.waveform import Capture


def readings_of(capture: Capture, computations: Mapping[str, Computation]) -> dict[str, Reading]:
    """Every reading of one shot, by the name of its entry; each channel is surveyed once for all of them."""
    surveys = {name: Survey(wave) for name, wave in capture.waveforms.items()}
    return {
        name: _doubting(capture, _measured([surveys[channel] for channel in wanted.of], wanted))
        for name, wanted in computations.items()
    }


def results_of(shots: Sequence[Mapping[str, Reading]], computations: Mapping[str, Computation]) -> tuple[Result, ...]:
    """The readings of all shots joined and held against the limits."""
    return tuple(_result([shot[name] for shot in shots], wanted) for name, wanted in computations.items())


def _measured(surveys: Sequence[Survey], wanted: Computation) -> Reading:
    return measure_surveys(surveys, find_metric(wanted.metric), dict(wanted.options))


def _doubting(capture: Capture, reading: Reading) -> Reading:
    if capture.triggered or Doubt.NOT_TRIGGERED in reading.doubts:
        return reading
    return replace(reading, doubts=(*reading.doubts, Doubt.NOT_TRIGGERED))


def _result(readings: Sequence[Reading], wanted: Computation) -> Result:
    judgement = judge(readings, wanted.limit, over=wanted.over)
    return Result(
        name=wanted.name,
        metric=wanted.metric,
        of=wanted.of,
        over=wanted.over,
        limit="" if wanted.limit is None else str(wanted.limit),
        reading=judgement.reading or Reading(None, wanted.unit, reason=judgement.reason),
        verdict=judgement.verdict,
        margin=None if judgement.margin is None else judgement.margin.value,
        relative_margin=None if judgement.margin is None else judgement.margin.fraction,
        reason=judgement.reason,
        decisive_shot=judgement.shot,
        shots=tuple(readings),
    )
