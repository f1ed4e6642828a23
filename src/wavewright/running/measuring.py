"""One measurement on the bench: known state, probes placed, settings found and read back, shots, readings."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field, replace
from functools import partial

from wavewright.errors import BadAnswer, NoAnswer, NotMeasurable, WavewrightError
from wavewright.instruments.bench import Bench
from wavewright.instruments.profile import Assignment
from wavewright.instruments.setups import DigitizerSetup
from wavewright.instruments.source import source_assignments
from wavewright.instruments.supply import supply_assignments
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.stimulus import Step
from wavewright.running.cross_check import cross_checks
from wavewright.running.cut_short import CutShort, broken_off, cut_short_results
from wavewright.running.evaluate import Evaluation
from wavewright.running.examined import Examined
from wavewright.running.front_ends import front_end_facts
from wavewright.running.interruption import Interrupted
from wavewright.running.keeping import Keeper
from wavewright.running.metering import meter_values, supply_values
from wavewright.running.outcome import MeasurementOutcome, Setting
from wavewright.running.periods import Periods
from wavewright.running.progress import Progress
from wavewright.running.prompts import Operator, placing_text
from wavewright.running.read_back import SettingsRecord, configure
from wavewright.running.references import References
from wavewright.running.searching import Found, find_settings
from wavewright.running.second_look import look_again
from wavewright.running.wanted import source_setup, split_stimulus, supply_setup, wanted
from wavewright.waveform import Capture


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a measurement needs beside the recipe: the bench, the people, the keeper of captures, and the clock's pause.

    Parameters
    ----------
    attenuations : of the probes, by input.
    pause : waits so many s; a test hands in one that does not.
    elapsed : s, of a clock that cannot jump.
    check : called between two steps; raises if the run is to be broken off.
    references : what `compare:` and masks refer to.
    is_cross_checked : the instrument is asked for its own values too.
    periods : the stored waveforms that the source plays.
    shielded : a block that no signal breaks off.
    """

    bench: Bench
    attenuations: Mapping[int, float]
    operator: Operator
    progress: Progress
    keeper: Keeper
    pause: Callable[[float], None]
    elapsed: Callable[[], float]
    check: Callable[[], None]
    references: References
    is_cross_checked: bool = False
    periods: Periods = field(default_factory=dict)
    shielded: Callable[[], AbstractContextManager[None]] = nullcontext


def measure_one(
    measurement: Measurement, around: Surroundings, record: SettingsRecord, *, is_placed: bool = False
) -> MeasurementOutcome:
    """Make one measurement; its captures go to the keeper as they come.

    Parameters
    ----------
    record : takes in what was requested of the instruments and what they are set to, also if nothing comes of it.
    is_placed : the probes are where they belong, as under the condition before; nobody is asked again.

    Raises
    ------
    NoTrigger, NotMeasurable, Complaint, SetOtherwise, BadAnswer, NoAnswer : no reading came about; the next one may
        do better.
    LinkLost, OutputMayBeOn, BenchFault, StorageFault : the run cannot go on.
    CutShort : one of these, or a signal, after some shots were taken.
    """
    bench, goal = around.bench, wanted(measurement, attenuations=around.attenuations)
    around.progress.step("bringing the bench to a known state")
    bench.reset()
    _place_probes(measurement, goal.setup, around, is_placed=is_placed)
    found = Found(goal.setup, ())
    if goal.is_automatic:
        _stimulate(measurement.stimulus, around, record)
        found = find_settings(goal, bench.digitizer, step=around.progress.step)
    around.progress.step("setting the digitizer")
    configure(bench.digitizer, found.setup, record)
    if measurement.trigger.mode == "auto" and not goal.is_automatic:
        _stimulate(measurement.stimulus, around, record)
    evaluation = Evaluation(measurement, references=around.references)
    record.facts |= _facts(measurement, goal.setup, record.used, around)
    if measurement.trigger.mode == "auto" or not measurement.stimulus:
        known = {**record.used, **record.facts}
        seen = look_again(measurement, found.setup, known, bench.digitizer, step=around.progress.step)
        if seen:
            record.facts |= seen
            configure(bench.digitizer, found.setup, record)
    try:
        looked_at = _take_shots(measurement, evaluation, around, record)
    except (WavewrightError, Interrupted) as fault:
        if not evaluation.shots:
            raise
        raise CutShort(fault, partial(_cut_short, found, record, fault, evaluation, measurement)) from fault
    said = (*_kept(measurement, looked_at), *_tripped(measurement, around))
    results = evaluation.results()
    checks = cross_checks(bench.digitizer, results) if around.is_cross_checked else ()
    bench.check_restarts()  # the last messages may have gone to one that had lost its settings
    done = _without_results(measurement, found, record)
    return replace(
        done,
        remarks=(*done.remarks, *said),
        shots=measurement.shots,
        results=results,
        cross_checks=checks,
    )


def _without_results(measurement: Measurement, found: Found, record: SettingsRecord) -> MeasurementOutcome:
    return MeasurementOutcome(
        name=measurement.name,
        conditions=measurement.condition,
        place=measurement.place or "",
        asked=record.asked,
        read_back=record.used,
        remarks=(*found.remarks, *record.differences),
    )


def _cut_short(
    found: Found, record: SettingsRecord, fault: BaseException, evaluation: Evaluation, measurement: Measurement
) -> MeasurementOutcome:
    """What the shots that were taken say."""
    return replace(
        _without_results(measurement, found, record),
        shots=evaluation.shots,
        results=cut_short_results(evaluation.results()),
        error=broken_off(fault, evaluation.shots, measurement.shots),
    )


def _place_probes(measurement: Measurement, setup: DigitizerSetup, around: Surroundings, *, is_placed: bool) -> None:
    """Tell where the probes go; outputs are off, so that hands may come near."""
    text = placing_text(measurement, setup)
    if measurement.place and not is_placed:
        around.operator.confirm(text)
    if around.bench.prompts is not None:
        around.bench.prompts.show(text)


def _facts(
    measurement: Measurement, setup: DigitizerSetup, used: Mapping[str, Setting], around: Surroundings
) -> dict[str, float]:
    """What bench and profile state about each input: kept with every shot, so that doubts can be computed again."""
    facts: dict[str, float] = {}
    for name, channel in measurement.channels.items():
        number = channel.input
        facts[f"input{number}.probe_capacitance"] = around.bench.file.probe(number).capacitance
        facts |= front_end_facts(around.bench, used, number, attenuation=setup.inputs[name].attenuation)
    return facts


def _take_shots(measurement: Measurement, evaluation: Evaluation, around: Surroundings, record: SettingsRecord) -> int:
    """Every shot is kept and evaluated before the next one is taken, so that one is in memory at a time.

    Returns how many were looked at to find those that `keep_if` asks for.
    """
    looked_at = 0
    for number in range(measurement.shots):
        shot, tries = _wanted_shot(measurement, around, record)
        looked_at += tries
        with around.shielded():
            around.keeper.keep(measurement.label, shot.capture)
        around.references.offer(measurement, shot)
        around.keeper.read(measurement.label, evaluation.add(shot, shielded=around.shielded))
        around.progress.shot(number + 1)
    return looked_at


def _wanted_shot(measurement: Measurement, around: Surroundings, record: SettingsRecord) -> tuple[Examined, int]:
    """The next shot, or with `keep_if` the next that fulfils it, and how many it took: a trigger in software.

    Raises
    ------
    NotMeasurable : none fulfilled it within the limits.
    """
    wanted, begin, tries = measurement.keep_if, around.elapsed(), 0
    while True:
        around.check()
        shot = Examined(_shot(measurement, around, record), measurement)
        tries += 1
        unmet = shot.unmet(wanted.conditions) if wanted is not None else ()
        if wanted is None or not unmet:
            return shot, tries
        around.progress.step(f"looked at {tries} shots for the one to keep")
        is_late = wanted.time is not None and around.elapsed() - begin > wanted.time
        if is_late or (wanted.shots is not None and tries >= wanted.shots):
            raise NotMeasurable(
                f"no shot of {tries} was one to keep; the last one: {'; '.join(unmet)}",
                where=str(wanted.place or ""),
                expected="one that fulfils `keep_if`",
                do="look whether it is said at all, or give it longer with `within:`",
            )


def _kept(measurement: Measurement, looked_at: int) -> tuple[str, ...]:
    return () if measurement.keep_if is None else (f"kept {measurement.shots} of {looked_at} shots",)


def _tripped(measurement: Measurement, around: Surroundings) -> tuple[str, ...]:
    """What the supply's protection did, where the measurement sets one."""
    steps = [step.supply for step in measurement.stimulus if step.supply is not None]
    if not any(step.voltage_protection or step.current_protection for step in steps):
        return ()
    try:
        return tuple(f"supply: its {quantity} protection has tripped" for quantity in around.bench.supply.tripped())
    except (BadAnswer, NoAnswer) as fault:  # the shots are good all the same
        return (f"supply: whether a protection has tripped is not known: {fault.what}",)


def _shot(measurement: Measurement, around: Surroundings, record: SettingsRecord) -> Capture:
    """One shot with all that was read beside it; a restart of any instrument while it was taken makes it a fault."""
    digitizer = around.bench.digitizer
    if measurement.trigger.mode == "auto":
        capture = digitizer.acquire()
    else:
        before, after = split_stimulus(measurement)
        _stimulate(before, around, record)
        digitizer.arm()
        try:
            _stimulate(after, around, record, number=len(before) + 1)
        except BaseException:
            digitizer.stop()
            raise
        capture = digitizer.complete()
    taken = _with_surroundings(capture, measurement, around, record)
    around.bench.check_restarts(but=digitizer)  # it has been asked since its record was fetched
    return taken


def _with_surroundings(
    capture: Capture, measurement: Measurement, around: Surroundings, record: SettingsRecord
) -> Capture:
    """The capture, with what is known about each input and what meter and supply read among its settings."""
    read = meter_values(around.bench.meter, measurement.meter, record) if measurement.meter else {}
    drawn = supply_values(around.bench.supply, measurement.supply) if measurement.supply else {}
    return replace(capture, settings={**capture.settings, **record.facts, **read, **drawn})


def _stimulate(steps: Sequence[Step], around: Surroundings, record: SettingsRecord, *, number: int = 1) -> None:
    """Step after step, each read back; `number` is that of the first one in the recipe's list."""
    for count, step in enumerate(steps, number):
        around.check()
        if step.supply is not None:
            supply, setup = around.bench.supply, supply_setup(step.supply)
            asked = [*supply_assignments(setup), *_output(setup.output)]
            with record.keeping(asked, supply, head=f"step{count}.supply.") as used:
                used.update(supply.apply_setup(setup))
        if step.source is not None:
            source, signal = around.bench.source, source_setup(step.source, around.periods)
            asked = [*source_assignments(signal), *_output(signal.output)]
            with record.keeping(asked, source, head=f"step{count}.source.") as used:
                used.update(source.apply_setup(signal))
        if step.then_wait is not None:
            around.pause(float(step.then_wait))


def _output(is_on: bool | None) -> tuple[Assignment, ...]:
    return () if is_on is None else (Assignment("output", is_on),)
