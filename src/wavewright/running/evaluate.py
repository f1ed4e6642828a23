"""From captures to results, without an instrument: the runner and whoever recomputes kept captures use the same.

A shot is evaluated while it is in memory; what is kept of it are readings and counts, so that the number of shots does
not matter for the memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace

from wavewright.analysis.catalogue import find_metric
from wavewright.analysis.measure import measure_surveys
from wavewright.analysis.reading import Doubt, Reading
from wavewright.buses.frame_metrics import measure_decoded
from wavewright.errors import NotMeasurable
from wavewright.judgement.limits import Limit
from wavewright.quantities import read_interval
from wavewright.recipe.computation import Computation
from wavewright.recipe.measurement import Measurement
from wavewright.running.comparing import Comparing
from wavewright.running.cut_short import cut_short_results
from wavewright.running.examined import Examined
from wavewright.running.judged import judged
from wavewright.running.metering import metered
from wavewright.running.outcome import Result
from wavewright.running.persisting import Persisting
from wavewright.running.references import References
from wavewright.waveform import Capture

NOTHING_UNMET = Limit(read_interval("exactly 0", unit="count"), "exactly 0 unmet")


def readings_of(capture: Capture, measurement: Measurement) -> dict[str, Reading]:
    """The reading of every entry of `compute:` in one shot."""
    return _readings(Examined(capture, measurement), measurement.compute)


def evaluate(
    measurement: Measurement,
    captures: Iterable[Capture],
    *,
    references: References | None = None,
    is_cut_short: bool = False,
) -> tuple[Result, ...]:
    """All results of a measurement from its captures.

    Parameters
    ----------
    references : the waveforms that `compare:` and masks refer to, and that later measurements will refer to.
    is_cut_short : the measurement broke off before all of its shots were taken.
    """
    found = references or References()
    evaluation = Evaluation(measurement, references=found)
    for capture in captures:
        shot = Examined(capture, measurement)
        found.offer(measurement, shot)
        evaluation.add(shot)
    results = evaluation.results()
    return cut_short_results(results) if is_cut_short else results


class Evaluation:
    """The evaluation of one measurement, shot by shot.

    Parameters
    ----------
    references : as in `evaluate`.
    """

    def __init__(self, measurement: Measurement, *, references: References | None = None) -> None:
        found = references or References()
        self._measurement = measurement
        self._shots: list[dict[str, Reading]] = []
        self._unmet: dict[str, list[tuple[str, ...]]] = {line: [] for line in measurement.expect}
        self._metered: dict[str, list[Reading]] = {one.name: [] for one in measurement.meterings}
        self._comparing = [Comparing(one, found, measurement) for one in measurement.compare.values()]
        persistence = measurement.persistence
        self._persisting = None if persistence is None else Persisting(persistence, found, measurement)

    def add(
        self, shot: Examined, *, shielded: Callable[[], AbstractContextManager[None]] = nullcontext
    ) -> dict[str, Reading]:
        """Take one more shot, of which only numbers are kept; returns the readings of `compute:` and of the meters.

        Parameters
        ----------
        shielded : a block that no signal breaks off: the shot counts for everything or for nothing.
        """
        readings = _readings(shot, self._measurement.compute)
        kept = {name: replace(reading, occurrences=None) for name, reading in readings.items()}
        read = {one.name: metered(shot.capture, one) for one in self._measurement.meterings}
        unmet = {line: shot.unmet({line: wanted}) for line, wanted in self._measurement.expect.items()}
        compared = [comparing.compared(shot) for comparing in self._comparing]
        with shielded():
            if self._persisting is not None:
                self._persisting.add(shot)
            self._shots.append(kept)
            for name, reading in read.items():
                self._metered[name].append(reading)
            for line, sentences in unmet.items():
                self._unmet[line].append(sentences)
            for comparing, found in zip(self._comparing, compared, strict=True):
                comparing.add(found)
        return {**kept, **read}

    @property
    def shots(self) -> int:
        """How many were taken."""
        return len(self._shots)

    def results(self) -> tuple[Result, ...]:
        """The readings of all shots joined and held against the limits."""
        computed = [
            result_of([shot[name] for shot in self._shots], wanted)
            for name, wanted in self._measurement.compute.items()
        ]
        read = [
            judged(one.name, one.metric, (), self._metered[one.name], limit=one.limit, over=one.over)
            for one in self._measurement.meterings
        ]
        expected = [_expectation(line, unmet) for line, unmet in self._unmet.items()]
        compared = [result for comparing in self._comparing for result in comparing.results()]
        persisted = [] if self._persisting is None else self._persisting.results()
        return (*computed, *read, *expected, *compared, *persisted)


def result_of(readings: Sequence[Reading], wanted: Computation) -> Result:
    """The readings of one entry over all shots as a result."""
    return judged(wanted.name, wanted.metric, wanted.of, readings, limit=wanted.limit, over=wanted.over)


def _readings(shot: Examined, computations: Mapping[str, Computation]) -> dict[str, Reading]:
    return {name: _doubting(shot.capture, _measured(shot, wanted)) for name, wanted in computations.items()}


def _measured(shot: Examined, wanted: Computation) -> Reading:
    try:
        if wanted.on_frames:
            return measure_decoded(shot.decoded(wanted.of[0]), wanted.metric, **wanted.options)
        surveys = [shot.survey(channel) for channel in wanted.of]
    except NotMeasurable as fault:  # a channel that could not be derived
        return Reading(None, wanted.unit, reason=fault.what)
    reading = measure_surveys(surveys, find_metric(wanted.metric), dict(wanted.options))
    handed_on = [doubt for channel in wanted.of for doubt in shot.handed_on(channel)]
    return replace(reading, doubts=tuple(dict.fromkeys([*reading.doubts, *handed_on]))) if handed_on else reading


def _doubting(capture: Capture, reading: Reading) -> Reading:
    if capture.triggered or Doubt.NOT_TRIGGERED in reading.doubts:
        return reading
    return replace(reading, doubts=(*reading.doubts, Doubt.NOT_TRIGGERED))


def _expectation(line: str, unmet: Sequence[tuple[str, ...]]) -> Result:
    """How many conditions a line leaves unmet, in the worst shot; the reason says which."""
    readings = [Reading(float(len(sentences)), "count") for sentences in unmet]
    reasons = ["; ".join(sentences) for sentences in unmet]
    return judged(f"expect.{line}", "expectation", (line,), readings, limit=NOTHING_UNMET, reasons=reasons)
