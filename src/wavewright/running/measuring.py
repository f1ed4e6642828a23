"""One measurement on the bench: known state, probes placed, settings found and read back, shots, readings."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from wavewright.analysis.reading import Reading
from wavewright.instruments.bench import Bench
from wavewright.instruments.setups import DigitizerSetup
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.stimulus import Step
from wavewright.running.evaluate import readings_of, results_of
from wavewright.running.keeping import Keeper
from wavewright.running.outcome import MeasurementOutcome
from wavewright.running.progress import Progress
from wavewright.running.prompts import Operator, placing_text
from wavewright.running.read_back import configure
from wavewright.running.searching import Found, find_settings
from wavewright.running.wanted import source_setup, split_stimulus, supply_setup, wanted
from wavewright.waveform import Capture


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a measurement needs beside the recipe: the bench, the people, the keeper of captures, and the clock's pause.

    Parameters
    ----------
    attenuations : of the probes, by input.
    pause : waits so many s; a test hands in one that does not.
    check : called between two steps; raises if the run is to be broken off.
    """

    bench: Bench
    attenuations: Mapping[int, float]
    operator: Operator
    progress: Progress
    keeper: Keeper
    pause: Callable[[float], None]
    check: Callable[[], None]


def measure_one(measurement: Measurement, around: Surroundings) -> MeasurementOutcome:
    """Make one measurement; its captures go to the keeper as they come.

    Raises
    ------
    NoTrigger, NotMeasurable, Complaint, BadAnswer, NoAnswer : no reading came about; the next may do better.
    LinkLost, OutputMayBeOn, BenchFault, StorageFault : the run cannot go on.
    """
    bench, goal = around.bench, wanted(measurement, attenuations=around.attenuations)
    around.progress.step("bringing the bench to a known state")
    bench.reset()
    _place_probes(measurement, goal.setup, around)
    found = Found(goal.setup, ())
    if goal.is_automatic:
        _stimulate(measurement.stimulus, around)
        found = find_settings(goal, bench.digitizer, step=around.progress.step)
    around.progress.step("setting the digitizer")
    settings = configure(bench.digitizer, found.setup)
    if measurement.trigger.mode == "auto" and not goal.is_automatic:
        _stimulate(measurement.stimulus, around)
    shots = _take_shots(measurement, around)
    return MeasurementOutcome(
        name=measurement.name,
        conditions=measurement.condition,
        place=measurement.place or "",
        asked=settings.asked,
        read_back=settings.used,
        remarks=(*found.remarks, *settings.differences),
        shots=len(shots),
        results=results_of(shots, measurement.compute),
    )


def _place_probes(measurement: Measurement, setup: DigitizerSetup, around: Surroundings) -> None:
    """Tell where the probes go; outputs are off, so that hands may come near."""
    text = placing_text(measurement, setup)
    if measurement.place:
        around.operator.confirm(text)
    if around.bench.prompts is not None:
        around.bench.prompts.show(text)


def _take_shots(measurement: Measurement, around: Surroundings) -> list[dict[str, Reading]]:
    """Every shot is kept and evaluated before the next one is taken, so that one is in memory at a time."""
    shots: list[dict[str, Reading]] = []
    for number in range(measurement.shots):
        around.check()
        capture = _shot(measurement, around)
        around.keeper.keep(measurement.label, capture)
        shots.append(readings_of(capture, measurement.compute))
        around.progress.shot(number + 1)
    return shots


def _shot(measurement: Measurement, around: Surroundings) -> Capture:
    digitizer = around.bench.digitizer
    if measurement.trigger.mode == "auto":
        return digitizer.acquire()
    before, after = split_stimulus(measurement)
    _stimulate(before, around)
    digitizer.arm()
    try:
        _stimulate(after, around)
    except BaseException:
        digitizer.stop()
        raise
    return digitizer.complete()


def _stimulate(steps: Sequence[Step], around: Surroundings) -> None:
    for step in steps:
        around.check()
        if step.supply is not None:
            around.bench.supply.apply_setup(supply_setup(step.supply))
        if step.source is not None:
            around.bench.source.apply_setup(source_setup(step.source))
        if step.then_wait is not None:
            around.pause(float(step.then_wait))
