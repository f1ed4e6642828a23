"""One measurement on the bench: set up, its shots taken, kept and evaluated, all settings read back after the last."""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import replace
from functools import partial
from typing import TypeAlias

from wavewright.errors import (
    BadAnswer,
    Complaint,
    LinkLost,
    NoAnswer,
    NotMeasurable,
    OutputMayBeOn,
    SetOtherwise,
    WavewrightError,
)
from wavewright.instruments.bench import Bench
from wavewright.instruments.spent_time import TimePart
from wavewright.instruments.vocabulary import Role
from wavewright.recipe.measurement import Measurement
from wavewright.running.automatic_settings import FoundSettings
from wavewright.running.calibration import calibration_facts
from wavewright.running.crew import core_count
from wavewright.running.evaluation import Evaluation
from wavewright.running.input_facts import repeated_facts
from wavewright.running.instrument_readings import cross_checks, meter_values, supply_values
from wavewright.running.instrument_settings import SettingsRecord, split_stimulus
from wavewright.running.interruption import CutShort, Interrupted
from wavewright.running.measurement_setup import is_alone, prepare_measurement
from wavewright.running.overlapped_shots import PATIENCE, Fence, OverlappedShots
from wavewright.running.result import (
    CrossCheck,
    MeasurementOutcome,
    Result,
    broken_off,
    cut_short_results,
)
from wavewright.running.run_context import RunContext
from wavewright.running.shot import ExaminedShot
from wavewright.running.shot_companions import ShotCompanions
from wavewright.running.shot_findings import PartFinding, shot_companions
from wavewright.running.shot_stopping import ShotStopper, StoppedShort, stoppable_shots
from wavewright.running.stimulation import stimulate
from wavewright.waveform import Capture

Taken: TypeAlias = Capture | ExaminedShot
FIRST_PATIENCE = 1.0  # s; so long outputs that have been sent the message may stay unconfirmed for a shot's sake


def measuring(
    measurement: Measurement,
    context: RunContext,
    record: SettingsRecord,
    *,
    is_placed: bool = False,
    alone: Callable[[], None] = is_alone,
) -> Generator[OverlappedShots[Taken], None, MeasurementOutcome]:
    """Make one measurement; its captures go to the store as they come.

    Yields once: when nothing more is asked of the instruments but what a cross-check needs. The last shot may still be
    evaluated then, which goes on after the yield; what is thrown in there ends the measurement like a signal.

    Parameters
    ----------
    record : takes in what was requested of the instruments and what they are set to, also if nothing comes of it.
    is_placed : the probes are where they belong, as under the condition before; nobody is asked again.
    alone : called where the measurement before must have ended: after the known state where a person is asked or a
        stimulus given, else when all is set up.

    Raises
    ------
    NoTrigger, NotMeasurable, Complaint, SetOtherwise, BadAnswer, NoAnswer : no reading came about; the next one may
        do better.
    LinkLost, OutputMayBeOn, BenchFault, StorageFault : the run cannot go on.
    CutShort : one of these but Complaint and SetOtherwise, or a signal, after some shots were taken. Its outcome is
        whole where they all were, and what came late was in the way of verdicts or cross-check.
    """
    companions = shot_companions(measurement, cores=core_count())
    with companions or nullcontext():  # which load what they need while the instruments are set
        done = yield from _measuring(measurement, context, record, companions, is_placed=is_placed, alone=alone)
    return done


def _measuring(
    measurement: Measurement,
    context: RunContext,
    record: SettingsRecord,
    companions: ShotCompanions[PartFinding] | None,
    *,
    is_placed: bool,
    alone: Callable[[], None],
) -> Generator[OverlappedShots[Taken], None, MeasurementOutcome]:
    found = prepare_measurement(measurement, context, record, is_placed=is_placed, alone=alone)
    evaluation = Evaluation(measurement, references=context.references, cores=core_count(), companions=companions)
    work = partial(_evaluate, measurement, evaluation, context)
    doubtful, is_read_back = None, False
    try:
        with stoppable_shots() as stopper, OverlappedShots(work, on_fault=stopper.ask) as beside:
            try:
                with context.bench.digitizer.link.telling(beside.begin):
                    looked_at = _take_shots(measurement, context, record, beside, stopper)
                try:
                    said = (*_kept(measurement, looked_at), *_at_the_end(measurement, context))
                except WavewrightError as fault:
                    doubtful = fault
                    raise
                is_read_back = True  # what is set from now on may be for the next measurement
                yield beside
                _wait_for(beside, measurement.shots, context)
            except BaseException:
                _settle(beside, context)
                raise
    except (WavewrightError, Interrupted) as fault:
        # SetOtherwise and Complaint: since when is not known
        if fault is doubtful or not evaluation.shots or isinstance(fault, SetOtherwise | Complaint):
            raise
        last = fault if is_read_back else _last_fault(fault, context.bench)
        raise CutShort(last, partial(_cut_short, found, record, last, evaluation, measurement)) from fault
    complete = partial(_complete, found, record, said, evaluation, measurement)
    try:
        with context.times.on(TimePart.EVALUATION):
            done = complete()
    except Interrupted as stop:  # every shot counts
        raise CutShort(stop, complete) from stop
    if not context.is_cross_checked:
        return done
    checks = list[CrossCheck]()
    try:
        _cross_check(done.results, context, checks)
    except (SetOtherwise, Complaint):
        raise
    except (WavewrightError, Interrupted) as fault:
        raise CutShort(fault, partial(_cross_check_broken_off, done, checks, fault)) from fault
    return replace(done, cross_checks=tuple(checks))


def _last_fault(fault: WavewrightError | Interrupted, bench: Bench) -> WavewrightError | Interrupted:
    """What ended the shots; they are read back after it where somebody may still be asked.

    Raises
    ------
    SetOtherwise, Complaint : by which none of them counts.
    """
    if not isinstance(fault, Interrupted | LinkLost | OutputMayBeOn):
        try:
            bench.check_unchanged("after the last shot")
        except (SetOtherwise, Complaint):
            raise
        except Interrupted as stop:
            return stop
        except WavewrightError:  # it says nothing against the shots, and the first fault is the one to tell
            return fault
    return fault


def _without_results(measurement: Measurement, found: FoundSettings, record: SettingsRecord) -> MeasurementOutcome:
    return MeasurementOutcome(
        name=measurement.name,
        conditions=measurement.condition,
        place=measurement.place or "",
        asked=record.asked,
        read_back=record.used,
        remarks=(*found.remarks, *record.differences),
    )


def _complete(
    found: FoundSettings,
    record: SettingsRecord,
    said: Sequence[str],
    evaluation: Evaluation,
    measurement: Measurement,
) -> MeasurementOutcome:
    """What all shots say."""
    done = _without_results(measurement, found, record)
    return replace(done, remarks=(*done.remarks, *said), shots=measurement.shots, results=evaluation.results())


def _cross_check_broken_off(
    done: MeasurementOutcome, checks: Sequence[CrossCheck], fault: WavewrightError | Interrupted
) -> MeasurementOutcome:
    """The readings stand: they were taken, and all settings read back, before the instrument was asked for its own."""
    what = fault.what if isinstance(fault, WavewrightError) else str(fault)
    return replace(
        done, remarks=(*done.remarks, f"the cross-check was not completed: {what}"), cross_checks=tuple(checks)
    )


def _cut_short(
    found: FoundSettings, record: SettingsRecord, fault: BaseException, evaluation: Evaluation, measurement: Measurement
) -> MeasurementOutcome:
    """What the shots that were taken say."""
    return replace(
        _without_results(measurement, found, record),
        shots=evaluation.shots,
        results=cut_short_results(evaluation.results()),
        error=broken_off(fault, evaluation.shots, measurement.shots),
    )


def _take_shots(
    measurement: Measurement,
    context: RunContext,
    record: SettingsRecord,
    beside: OverlappedShots[Taken],
    stopper: ShotStopper,
) -> int:
    """Every shot is kept when it comes, and evaluated while the next one is fetched: two are in memory at a time.

    The order is that of the shots. What fails with a shot ends the measurement before the next one counts, and ends a
    wait for the next one at once. The last one is not waited for. Work on a shot begins when the next one is asked for.

    Returns how many were examined to find those that `keep_if` asks for.
    """
    looked_at = 0
    for number in range(measurement.shots):
        try:
            with stopper.allowed():
                shot, tries = _wanted(measurement, context, record)
        except StoppedShort:  # the shot before could not be evaluated, or its readings not kept
            beside.wait(context.check)
            raise
        looked_at += tries
        if number:
            _wait_for(beside, number, context)
        _keep(measurement, shot, context)
        if number + 1 < measurement.shots:  # readings of the last one follow with no other
            context.store.send_to_disk()
        beside.give(shot)
    beside.begin()
    return looked_at


def _at_the_end(measurement: Measurement, context: RunContext) -> tuple[str, ...]:
    """All settings read back after the last shot, else none of them counts; what is to be said of that shot."""
    context.bench.check_unchanged("after the last shot")
    return _tripped(measurement, context)


def _cross_check(results: Sequence[Result], context: RunContext, checks: list[CrossCheck]) -> None:
    """The digitizer's own values, into `checks` as they come."""
    checks.extend(cross_checks(context.bench.digitizer, results))
    context.bench.check_restarts()  # the last messages may have gone to one that had lost its settings


def _wait_for(beside: OverlappedShots[Taken], number: int, context: RunContext) -> None:
    """Until the shot of that number, counted from 1, is evaluated."""
    with context.times.on(TimePart.EVALUATION):
        beside.wait(context.check)
    context.progress.shot(number)


def _settle(beside: OverlappedShots[Taken], context: RunContext) -> None:
    """After a fault: outputs off, and the shot that is still worked on done or given up; its own fault comes first."""
    if beside.is_busy:
        with context.shielded(), context.times.on(TimePart.EVALUATION):
            context.bench.switch_off_at_once()
            if not beside.settle(FIRST_PATIENCE):
                with suppress(OutputMayBeOn):  # it is tried again, and reported, when the measurement has ended
                    context.bench.safe_state()
                if not beside.settle(PATIENCE):
                    beside.give_up()
                    context.operator.say(
                        f"the evaluation of the last shot was given up after {PATIENCE:g} s; the shot does not count"
                    )
    beside.raise_fault()


def _keep(measurement: Measurement, given: Capture | ExaminedShot, context: RunContext) -> None:
    """The shot goes to the store before the next one begins: a kill loses none but the one in the air."""
    with context.times.on(TimePart.EVALUATION), context.shielded():
        context.store.keep(measurement.label, given.capture if isinstance(given, ExaminedShot) else given)


def _evaluate(
    measurement: Measurement,
    evaluation: Evaluation,
    context: RunContext,
    given: Capture | ExaminedShot,
    fence: Fence | None,
) -> None:
    """The readings of a shot that is kept, which go to the store too; `fence` is that of another thread."""
    shot = given if isinstance(given, ExaminedShot) else ExaminedShot(given, measurement)
    fenced: Callable[[], AbstractContextManager[None]] = fence or nullcontext
    with fenced():
        context.references.offer(measurement, shot)
    context.hear(measurement, shot)  # decodes, which may take long: a signal may end it
    readings = evaluation.add(shot, shielded=fence or context.shielded)
    with fenced():
        context.store.read(measurement.label, readings)


def wanted_shot(measurement: Measurement, context: RunContext, record: SettingsRecord) -> tuple[ExaminedShot, int]:
    """The next shot, or with `keep_if` the next that fulfils it, and how many it took: a trigger in software.

    Raises
    ------
    NotMeasurable : none fulfilled it within the limits.
    """
    shot, tries = _wanted(measurement, context, record)
    return shot if isinstance(shot, ExaminedShot) else ExaminedShot(shot, measurement), tries


def _wanted(
    measurement: Measurement, context: RunContext, record: SettingsRecord
) -> tuple[Capture | ExaminedShot, int]:
    """The same; a shot that nothing is asked of is not examined yet."""
    wanted, begin, tries = measurement.keep_if, context.elapsed(), 0
    while True:
        context.check()
        capture = _shot(measurement, context, record)
        tries += 1
        if wanted is None:
            return capture, tries
        with context.times.on(TimePart.EVALUATION):
            shot = ExaminedShot(capture, measurement)
            unmet = shot.unmet(wanted.conditions)
        if not unmet:
            return shot, tries
        context.progress.step(f"examined {tries} shots, none meets the condition yet")
        is_late = wanted.time is not None and context.elapsed() - begin > wanted.time
        if is_late or (wanted.shots is not None and tries >= wanted.shots):
            raise NotMeasurable(
                f"none of {tries} shots meets the condition; the last one: {'; '.join(unmet)}",
                where=str(wanted.place or ""),
                expected="one that meets `keep_if`",
                do="check whether the line carries it at all, or allow more with `within:`",
            )


def _kept(measurement: Measurement, looked_at: int) -> tuple[str, ...]:
    return (
        () if measurement.keep_if is None else (f"condition met after {looked_at} shot{'s' if looked_at != 1 else ''}",)
    )


def _tripped(measurement: Measurement, context: RunContext) -> tuple[str, ...]:
    """What the supply's protection did, where it may trip."""
    if not any(step.supply is not None and step.supply.trip for step in measurement.stimulus):
        return ()
    try:
        return tuple(f"supply: its {quantity} protection has tripped" for quantity in context.bench.supply.tripped())
    except (BadAnswer, NoAnswer) as fault:  # the shots are good all the same
        return (f"supply: whether a protection has tripped is not known: {fault.what}",)


def _shot(measurement: Measurement, context: RunContext, record: SettingsRecord) -> Capture:
    """One shot with all that was read beside it; a restart of any instrument while it was taken makes it a fault."""
    digitizer = context.bench.digitizer
    if measurement.trigger.mode == "auto":
        capture = digitizer.acquire()
    else:
        before, after = split_stimulus(measurement)
        stimulate(before, context, record)
        if after:
            digitizer.arm_for_stimulus(context.pause)
        else:
            digitizer.arm()
        try:
            stimulate(after, context, record, number=len(before) + 1)
        except BaseException:
            digitizer.stop()
            raise
        capture = digitizer.complete()
    taken = _with_surroundings(capture, measurement, context, record)
    if measurement.trigger.mode != "auto":  # outputs are switched for each shot: the next one would cover up a drop
        switched = {Role.SUPPLY if step.supply is not None else Role.SOURCE for step in measurement.stimulus}
        context.bench.check_outputs(switched, "after a shot")
    context.bench.check_now_and_then(but=digitizer)  # it has been asked since its record was fetched
    return taken


def _with_surroundings(
    capture: Capture, measurement: Measurement, context: RunContext, record: SettingsRecord
) -> Capture:
    """The capture, with what is known about each input and what meter and supply read among its settings."""
    read = meter_values(context.bench.meter, measurement.meter, record) if measurement.meter else {}
    drawn = supply_values(context.bench.supply, measurement.supply) if measurement.supply else {}
    inputs = {name: channel.input for name, channel in measurement.channels.items()}
    calibrations = calibration_facts(
        context.bench, inputs, {Role(one.by.value) for one in measurement.meterings}, capture.taken.date()
    )
    repeated = repeated_facts(inputs[name] for name in context.bench.digitizer.repeated)
    known = {**record.facts, **calibrations, **repeated}
    return replace(capture, settings={**capture.settings, **known, **read, **drawn})
