"""The measurements of a run, one after the other; the next one is set up while the last shot of one is evaluated.

Ahead comes what can hurt nobody and depends on nothing: the known state, in which outputs are off, and after it the
digitizer, where no person is asked and no stimulus given. Neither what the instruments are told changes by that, nor
the order of it, nor what is recorded: for the store, and for whoever follows the run, a measurement begins when the one
before has ended.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from functools import partial

from wavewright.errors import (
    BadAnswer,
    BenchFault,
    Complaint,
    LinkLost,
    NoAnswer,
    NotMeasurable,
    NoTrigger,
    OutputMayBeOn,
    SetOtherwise,
    StorageFault,
    TimeUp,
    WavewrightError,
)
from wavewright.instruments.spent_time import SpentTime, difference
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.running.instrument_settings import SettingsRecord
from wavewright.running.interruption import CutShort, Interrupted, Interruption
from wavewright.running.measurement_steps import Taken, measuring
from wavewright.running.overlapped_shots import OverlappedShots
from wavewright.running.result import MeasurementOutcome
from wavewright.running.run_context import Progress, RunContext

# After these no reading came about, and the instruments can still be spoken to: the next measurement may do better.
PASSING = (NoAnswer, Complaint, SetOtherwise, BadAnswer, NotMeasurable)
MOST_UNANSWERED = 2  # measurements in a row that end without an answer before the run is ended
# These end the run in good order: what was measured before is its outcome.
ENDING = (Interrupted, LinkLost, BenchFault, StorageFault, TimeUp)
LOOKS_AHEAD = True  # a test compares a run with one in which each measurement has ended before the next begins


class MeasurementSequence:
    """Takes all measurements of a recipe, whatever comes of each; outputs are off afterwards.

    Parameters
    ----------
    done : takes in each measurement as it ends.
    cut_short : takes in the one that was interrupted with the run: it is evaluated when outputs are off.
    stop_at_first : a verdict other than pass ends the run.
    """

    def __init__(
        self,
        recipe: Recipe,
        context: RunContext,
        interruption: Interruption,
        done: list[MeasurementOutcome],
        cut_short: list[CutShort],
        *,
        stop_at_first: bool,
    ) -> None:
        self._recipe, self._context, self._interruption = recipe, context, interruption
        self._done, self._cut_short, self._stop_at_first = done, cut_short, stop_at_first
        # what a cross-check asks of the digitizer comes after the verdicts; a run that is stopped sets up nothing more
        self._looks_ahead = LOOKS_AHEAD and not (stop_at_first or context.is_cross_checked)
        self._account = _Account(context.times)
        self._before: _Begun | None = None  # its instruments are free, and its last shot may still be evaluated
        self._last_word: BaseException | None = None  # with which a measurement has ended the run
        self._unanswered = 0
        self._has_ended, self._error = False, ""

    def run(self) -> str:
        """Returns why the run ended early, if it did."""
        try:
            self._take_all()
        except CutShort as broken:
            self._cut_short.append(broken)
            if not isinstance(broken.fault, ENDING):
                raise broken.fault from None
            self._error = str(broken.fault)
        except ENDING as fault:
            self._error = str(fault)
        finally:
            # Leaving the bench does it once more: a signal in the instant before the shield goes up would skip it here.
            with self._interruption.shielded():
                self._context.bench.safe_state()
        return self._error

    def _take_all(self) -> None:
        placed = ("", "")  # name of the measurement before, and where its probes are
        try:
            for measurement in self._recipe:
                place = (measurement.name, measurement.place or "")
                is_taken = False
                while not (is_taken or self._has_ended):
                    is_taken = self._take(measurement, is_placed=place == placed)
                placed = place
                if self._has_ended:
                    return
        except BaseException as fault:  # a signal between two steps
            if self._before is not None:
                with suppress(_SetUpInVain):
                    self._end_after(fault, self._before)
            raise
        self._end_the_one_before()

    def _take(self, measurement: Measurement, *, is_placed: bool) -> bool:
        """Make a measurement, up to the end of what its instruments are for.

        Returns
        -------
        False : the one before ended with a fault meanwhile, after which outputs were switched off: set it up anew.
        """
        if self._before is None:
            self._interruption.check()
        one = _Begun(measurement, self._context, is_placed=is_placed, before=self._end_the_one_before)
        one.progress.begin(measurement.label, shots=measurement.shots)
        if self._before is None:
            one.progress.release()
        self._account.turn_to(one.spent)
        try:
            one.take()
            self._before = one
        except _SetUpInVain:
            return False
        except BaseException as fault:
            try:
                if self._before is not None:
                    self._end_after(fault, self._before)
            except _SetUpInVain:
                return False
            one.progress.release()
            self._failed(one, fault)
        finally:
            self._account.turn_to(None)
        if not self._looks_ahead:
            self._end_the_one_before()
        return True

    def _end_after(self, fault: BaseException, before: _Begun) -> None:
        """The measurement before ends, while the next one was being set up and that has failed.

        What ends the run is taken as if it came while the last shot was waited for, unless that is done.
        """
        context = self._context
        if isinstance(fault, Exception) and not isinstance(fault, TimeUp):
            with context.shielded():
                context.bench.switch_off_at_once()
                if not before.is_evaluated:
                    with suppress(OutputMayBeOn):  # it is tried again, and reported, with the measurement that failed
                        context.bench.safe_state()
            self._end_the_one_before()
        elif before.is_evaluated:
            with context.shielded():
                self._end_the_one_before()
        else:
            self._before = None
            self._account.turn_to(before.spent)
            try:
                before.steps.throw(fault)
            except BaseException as broken:
                self._failed(before, broken)

    def _end_the_one_before(self) -> None:
        """Its last shot is evaluated, it is judged and recorded; nothing where it has been already.

        Raises
        ------
        _SetUpInVain : it ended with a fault, while the next one was being set up.
        """
        one = self._before
        if one is None:
            return
        next_one = self._account.turn_to(one.spent)
        fault: WavewrightError | None = None
        try:
            outcome = one.outcome()
        except BaseException as broken:
            self._before = None
            fault = self._failed(one, broken)
        else:
            self._before = None
            self._record(one, lambda: outcome)
        finally:
            self._account.turn_to(next_one)
        if fault is not None and next_one is not None:
            raise _SetUpInVain

    def _failed(self, one: _Begun, fault: BaseException) -> WavewrightError:
        """Record a measurement that was interrupted, if the next one may do better; else the fault is raised again."""
        if fault is self._last_word:  # of the one before
            raise fault
        if isinstance(fault, PASSING):
            outcome = one.nothing(str(fault))
            self._record(one, lambda: outcome, fault)
            return fault
        if isinstance(fault, CutShort):
            self._account.turn_to(None)
            results, spent = fault.outcome, dict(one.spent)
            fault.outcome = lambda: _with_times(results(), spent)
            if isinstance(fault.fault, PASSING):
                self._record(one, fault.outcome, fault.fault)
                return fault.fault
        self._last_word = fault
        raise fault

    def _record(
        self, one: _Begun, outcome: Callable[[], MeasurementOutcome], fault: WavewrightError | None = None
    ) -> None:
        self._account.turn_to(None)
        done, context, spent = self._done, self._context, dict(one.spent)
        try:
            if fault is not None:
                context.bench.safe_state()  # whatever is slow or silent now, no output stays on meanwhile
        finally:
            done.append(_with_times(outcome(), spent))
        context.store.measured(done[-1])
        one.progress.end(done[-1])
        is_silent = isinstance(fault, NoAnswer) and not isinstance(fault, NoTrigger)
        self._unanswered = self._unanswered + 1 if is_silent else 0
        if self._unanswered >= MOST_UNANSWERED:
            self._error = f"{self._unanswered} consecutive measurements ended without an answer: {fault}"
            self._has_ended = True
        elif self._stop_at_first and done[-1].verdict not in (None, Verdict.PASS):
            self._has_ended = True


class _SetUpInVain(BaseException):
    """The measurement before has ended with a fault."""


class _Begun:
    """A measurement that has begun: what is known of it, and the time that it has taken."""

    def __init__(
        self, measurement: Measurement, context: RunContext, *, is_placed: bool, before: Callable[[], None]
    ) -> None:
        self.progress, self.spent = _HeldBack(context.progress), dict[str, float]()
        self._measurement, self._record = measurement, SettingsRecord()

        def alone() -> None:
            before()
            self.progress.release()

        context = replace(context, progress=self.progress)
        self.steps = measuring(measurement, context, self._record, is_placed=is_placed, alone=alone)
        self._shots: OverlappedShots[Taken]  # once they are taken
        self._outcome: MeasurementOutcome | None = None

    def take(self) -> None:
        """All that its instruments are for."""
        self._shots = next(self.steps)

    @property
    def is_evaluated(self) -> bool:
        """Whether nothing is left to be computed of what has been taken but the verdicts."""
        return not self._shots.is_busy

    def outcome(self) -> MeasurementOutcome:
        """What it has brought, once its last shot is evaluated; a signal in between may ask again."""
        try:
            if self._outcome is None:
                next(self.steps)
        except StopIteration as ended:
            self._outcome = ended.value
        assert self._outcome is not None, "it yields once"
        return self._outcome

    def nothing(self, error: str) -> MeasurementOutcome:
        """Its outcome where no reading came about."""
        return MeasurementOutcome(
            self._measurement.name,
            self._measurement.condition,
            self._measurement.place or "",
            asked=self._record.asked,
            read_back=self._record.used,
            remarks=self._record.differences,
            error=error,
        )


class _HeldBack:
    """Tells of a measurement that is set up while the one before is judged, once that has ended."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._held: list[Callable[[], None]] | None = []

    def release(self) -> None:
        """Tell what was held back, and hold back nothing more."""
        held, self._held = self._held or [], None
        for told in held:
            told()

    def begin(self, label: str, *, shots: int) -> None:
        """A measurement begins."""
        self._tell(partial(self._progress.begin, label, shots=shots))

    def step(self, text: str) -> None:
        """Something that takes a while begins."""
        self._tell(partial(self._progress.step, text))

    def shot(self, number: int) -> None:
        """This number of shots of the measurement has been taken."""
        self._tell(partial(self._progress.shot, number))

    def end(self, outcome: MeasurementOutcome) -> None:
        """The measurement has ended."""
        self._tell(partial(self._progress.end, outcome))

    def _tell(self, told: Callable[[], None]) -> None:
        if self._held is None:
            told()
        else:
            self._held.append(told)


class _Account:
    """Divides the time of the run among its measurements: what passes is that of one of them, or of none."""

    def __init__(self, times: SpentTime) -> None:
        self._times, self._since = times, times.so_far()
        self._spent: dict[str, float] | None = None

    def turn_to(self, spent: dict[str, float] | None) -> dict[str, float] | None:
        """From now on time passes for this one; returns for whom it has passed until now."""
        now, before = self._times.so_far(), self._spent
        if before is not None:
            for part, seconds in difference(now, self._since).items():
                before[part] = before.get(part, 0.0) + seconds
        self._since, self._spent = now, spent
        return before


def _with_times(done: MeasurementOutcome, spent: Mapping[str, float]) -> MeasurementOutcome:
    return replace(done, seconds=sum(spent.values()), times=dict(spent))
