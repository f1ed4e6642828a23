"""`compare:`: every shot against a waveform that was taken before, and what a touching probe should have done to it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from wavewright.analysis.catalogue import find_metric
from wavewright.analysis.comparison import MetricChange, compare, metric_changes
from wavewright.analysis.measure import measure_surveys
from wavewright.analysis.probe_loading import Node, Probe, expected_loading
from wavewright.analysis.reading import Reading
from wavewright.analysis.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.recipe.comparison import FOUND, Comparison
from wavewright.recipe.measurement import Measurement
from wavewright.running.examined import Examined
from wavewright.running.judged import judged
from wavewright.running.outcome import Result
from wavewright.running.references import References

PROBE_RESISTANCE = 10e6  # ohm: at the tip of a passive 10:1 probe, common practice, no source
CHANGE = "change_of_"
EXPECTED = "expected_"


class Comparing:
    """One comparison over all shots of a measurement."""

    def __init__(self, wanted: Comparison, references: References, measurement: Measurement) -> None:
        self._wanted, self._references, self._measurement = wanted, references, measurement
        self._shots: list[dict[str, Reading]] = []

    def add(self, shot: Examined) -> None:
        """Compare one more shot."""
        try:
            self._shots.append(dict(self._compared(shot)))
        except NotMeasurable as fault:
            unit = {"": "V"}
            nothing = {name: Reading(None, unit.get(own, own), reason=fault.what) for name, own in FOUND.items()}
            self._shots.append(nothing)

    def results(self) -> list[Result]:
        """`name.rms`, `name.delay`, …: what is found, and what limits it."""
        names = dict.fromkeys(name for shot in self._shots for name in shot)
        return [
            judged(
                f"{self._wanted.name}.{name}",
                name,
                (self._wanted.of,),
                [shot[name] for shot in self._shots if name in shot],
                limit=self._wanted.limits.get(name),
            )
            for name in names
        ]

    def _compared(self, shot: Examined) -> Iterator[tuple[str, Reading]]:
        before, earlier = self._reference()
        now = shot.survey(self._wanted.of)
        found = compare(before.wave, now.wave, align=self._wanted.align.value)
        unit = found.unit
        yield "rms", Reading(found.rms_difference, unit)
        yield "largest", Reading(abs(found.largest_difference), unit)
        yield "delay", Reading(found.delay, "s")
        yield "gain", Reading(found.gain, "1")
        yield from self._expected(before, shot, earlier)
        means = [measure_surveys([survey], find_metric("mean"), {}).value for survey in (before, now)]
        if means[0] is not None and means[1] is not None:
            yield "offset", Reading(means[1] - means[0], unit)
        for change in metric_changes(*(self._metrics(survey) for survey in (before, now))):
            yield f"{CHANGE}{change.metric}", _reading(change)

    def _reference(self) -> tuple[Survey, Examined | None]:
        wanted = self._wanted
        if wanted.file:
            return Survey(self._references.stored(wanted.file, wanted.channel)), None
        shot = self._references.measured(wanted.measurement, self._measurement.condition)
        return shot.survey(wanted.channel), shot

    def _metrics(self, survey: Survey) -> dict[str, Reading]:
        return {name: measure_surveys([survey], find_metric(name), {}) for name in self._wanted.metrics}

    def _expected(self, before: Survey, shot: Examined, earlier: Examined | None) -> Iterator[tuple[str, Reading]]:
        """What the probes that are new in this measurement should do to the amplitude at the point that they touch."""
        impedance = self._wanted.source_impedance
        if impedance is None or earlier is None:
            return
        there, new = _probes(earlier), _probes(shot)
        added = sum(farads for number, farads in new.items() if number not in there)
        frequency = measure_surveys([before], find_metric("frequency"), {}).value
        if not added or frequency is None:
            return
        node = Node(float(impedance), sum(there.values()))
        loading = expected_loading(Probe(PROBE_RESISTANCE, added), node, frequency=frequency)
        if loading.amplitude_change is not None:
            yield f"{EXPECTED}gain", Reading(1 + loading.amplitude_change, "1")


def _reading(change: MetricChange) -> Reading:
    return Reading(change.change, change.unit, uncertainty=change.uncertainty, reason=change.reason)


def _probes(shot: Examined) -> Mapping[int, float]:
    """Capacitance of the probe on each input of a shot, F."""
    suffix = ".probe_capacitance"
    return {
        int(name.removeprefix("input").removesuffix(suffix)): float(value)
        for name, value in shot.capture.settings.items()
        if name.endswith(suffix)
    }
