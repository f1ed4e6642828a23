"""`compare:`: every shot against a waveform that was taken before, and what a touching probe should have done to it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.doubts import EXTREMES, Reads
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.findings import doubted, with_findings
from wavewright.analysis.front_end.limit_in_range import idle_comparison
from wavewright.analysis.front_end.probe_loading import Crystal, Probe, ProbedNode, crystal_pulling, expected_loading
from wavewright.analysis.measure import measure_surveys
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.statistics.comparison import MetricChange, metric_changes
from wavewright.errors import NotMeasurable
from wavewright.recipe.comparison import FOUND, Comparison, CrystalEntry
from wavewright.recipe.measurement import Measurement
from wavewright.running.compared_pair import ComparedPair
from wavewright.running.result import Result, judged_result
from wavewright.running.shot import ExaminedShot
from wavewright.running.stored_waveforms import ReferenceWaveforms

PROBE_RESISTANCE = 10e6  # ohm: at the tip of a passive 10:1 probe, common practice, no source
STEADY = 0.05  # scatter of the periods over the period, below which a signal is taken as periodic
CHANGE = "change_of_"
EXPECTED = "expected_"
SAMPLES = frozenset({Reads.SAMPLES})
READ = {"largest": EXTREMES, "delay": SAMPLES | {Reads.EDGES}}  # what is compared; the rest is made of all samples


class ShotComparison:
    """One comparison over all shots of a measurement, or over the `newest` of them."""

    def __init__(
        self,
        wanted: Comparison,
        references: ReferenceWaveforms,
        measurement: Measurement,
        *,
        newest: int | None = None,
    ) -> None:
        self._wanted, self._references, self._measurement = wanted, references, measurement
        self._shots: deque[dict[str, Reading]] = deque(maxlen=newest)
        self._before: dict[str, Reading] = {}

    def compared(self, shot: ExaminedShot) -> dict[str, Reading]:
        """What is found in one shot."""
        try:
            return {name: self._doubted(name, reading, shot) for name, reading in self._compared(shot)}
        except NotMeasurable as fault:
            unit = {"": "V"}
            return {name: Reading(None, unit.get(own, own), reason=fault.what) for name, own in FOUND.items()}

    def add(self, found: dict[str, Reading]) -> None:
        """Take what was found in one more shot."""
        self._shots.append(found)

    def results(self) -> list[Result]:
        """`name.rms`, `name.delay`, …: what is found, and what limits it."""
        names = dict.fromkeys(name for shot in self._shots for name in shot)
        return [
            judged_result(
                f"{self._wanted.name}.{name}",
                name,
                (self._wanted.of,),
                [shot[name] for shot in self._shots if name in shot],
                limit=self._wanted.limits.get(name),
                doubts=self._measurement.doubts,
                rule=self._measurement.rule_of(self._wanted),
            )
            for name in names
        ]

    def _compared(self, shot: ExaminedShot) -> Iterator[tuple[str, Reading]]:
        before, earlier = self._reference()
        pair = ComparedPair(
            before,
            earlier,
            self._wanted.channel,
            shot,
            self._wanted.of,
            align=self._wanted.align.value,
            most_delay=_half_a_period(before),
        )
        for name in ("rms", "largest", "delay"):
            yield name, pair.reading(name, parts=READ.get(name, SAMPLES))
        expected = {} if earlier is None else self._expected(before, earlier, shot)
        yield "gain", pair.reading("gain", parts=SAMPLES)
        yield from _beside("gain", expected)
        (mean,) = metric_changes(*(self._metrics(one, ("mean",)) for one in (None, shot)))
        if mean.change is not None:
            yield "offset", _reading(mean)
        for change in metric_changes(*(self._metrics(one, self._wanted.metrics) for one in (None, shot))):
            yield f"{CHANGE}{change.metric}", _reading(change)
            yield from _beside(f"{CHANGE}{change.metric}", expected)

    def _doubted(self, name: str, reading: Reading, shot: ExaminedShot) -> Reading:
        """What speaks against either of the two waveforms; nothing does against what was only expected."""
        if name.startswith(EXPECTED):
            return reading
        before, earlier = self._reference()
        parts = METRICS.find(name.removeprefix(CHANGE)).reads if name.startswith(CHANGE) else READ.get(name, SAMPLES)
        ways = (earlier.front_end(self._wanted.channel) if earlier else None, shot.front_end(self._wanted.of))
        now = shot.survey(self._wanted.of)
        found = doubted(Read(reading, (before, now), parts, front_ends=ways))
        limit, is_found = self._wanted.limits.get(name), shot.finds_range(self._wanted.of)
        idle = () if limit is None else idle_comparison(name, limit.interval, before, now, is_range_found=is_found)
        return with_findings(found, [*idle, *shot.handed_on(self._wanted.of, reading, parts)])

    def _reference(self) -> tuple[Survey, ExaminedShot | None]:
        wanted = self._wanted
        if wanted.file:
            return Survey(self._references.stored(wanted.file, wanted.channel)), None
        shot = self._references.measured(wanted.measurement, self._measurement.condition)
        return shot.survey(wanted.channel), shot

    def _metrics(self, shot: ExaminedShot | None, names: Sequence[str]) -> dict[str, Reading]:
        """Metrics of a shot, or of the record that it is compared with, which are computed once."""
        if shot is not None:
            return {name: _measured(shot.survey(self._wanted.of), shot, self._wanted.of, name) for name in names}
        before, earlier = self._reference()
        for name in names:
            if name not in self._before:
                self._before[name] = _measured(before, earlier, self._wanted.channel, name)
        return {name: self._before[name] for name in names}

    def _expected(self, before: Survey, earlier: ExaminedShot, shot: ExaminedShot) -> dict[str, Reading]:
        """What the probes that are new in this measurement should do at the point that they touch, by what is found."""
        there, now = _probes(earlier), _probes(shot)
        added = sum(farads for number, farads in now.items() if number not in there)
        frequency = measure_surveys([before], METRICS.find("frequency"), {}).value
        found: dict[str, Reading] = {}
        if not added or frequency is None:
            return found
        if self._wanted.source_impedance is not None:
            node = ProbedNode(float(self._wanted.source_impedance), sum(there.values()))
            loading = expected_loading(Probe(PROBE_RESISTANCE, added), node, frequency=frequency)
            if loading.amplitude_change is not None:
                found["gain"] = Reading(1 + loading.amplitude_change, "1")
        if self._wanted.crystal is not None:
            pulled = crystal_pulling(_crystal(self._wanted.crystal, frequency, sum(there.values())), added)
            found[f"{CHANGE}frequency"] = Reading(pulled * frequency, "Hz")
        return found


def _measured(survey: Survey, shot: ExaminedShot | None, channel: str, name: str) -> Reading:
    """A metric of one of the two records, with its budget where something is stated of its inputs."""
    inputs = None if shot is None else shot.changed.inputs((channel,))
    if shot is None or inputs is None:
        return measure_surveys([survey], METRICS.find(name), {})
    changed, further = shot.changed.evaluator((channel,)), shot.changed.further((channel,))
    return measure_surveys([survey], METRICS.find(name), {}, inputs=inputs, changed=changed, further=further)


def _half_a_period(survey: Survey) -> float | None:
    """The longest delay, s, that a periodic signal distinguishes from another one; None where it is not periodic."""
    period = measure_surveys([survey], METRICS.find("period"), {})
    if period.value is None or period.standard_deviation is None:
        return None
    return period.value / 2 if period.standard_deviation < STEADY * period.value else None


def _beside(name: str, expected: Mapping[str, Reading]) -> Iterator[tuple[str, Reading]]:
    """What is to be expected, in the row below what was found."""
    if name in expected:
        yield f"{EXPECTED}{name}", expected[name]


def _crystal(wanted: CrystalEntry, frequency: float, probes: float) -> Crystal:
    """The oscillator as it was before: with the probes, F, that were there already."""
    return Crystal(
        frequency=frequency,
        motional_capacitance=float(wanted.motional_capacitance),
        shunt_capacitance=float(wanted.shunt_capacitance),
        load_capacitance=float(wanted.load_capacitance) + probes,
    )


def _reading(change: MetricChange) -> Reading:
    return Reading(
        change.change, change.unit, uncertainty=change.uncertainty, reason=change.reason, budget=change.budget
    )


def _probes(shot: ExaminedShot) -> Mapping[int, float]:
    """Capacitance of the probe on each input of a shot, F."""
    suffix = ".probe_capacitance"
    return {
        int(name.removeprefix("input").removesuffix(suffix)): float(value)
        for name, value in shot.capture.settings.items()
        if name.endswith(suffix)
    }
