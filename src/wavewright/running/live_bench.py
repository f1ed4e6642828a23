"""A bench that is watched: it stays open from shot to shot, and what has changed in the recipe is set anew.

Outputs go on only with a consent to exactly what the recipe does with them, and they are off, confirmed, before
anything else is done when that ends.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from wavewright.errors import LinkLost, NotMeasurable, NoTrigger, WavewrightError
from wavewright.grammar.model import GrammarModel
from wavewright.instruments import waits
from wavewright.instruments.bench import Bench, open_bench
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.simulated import say_simulated
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.recipe.stimulus import StimulusStep
from wavewright.running.instrument_settings import SettingsRecord, requested_setup
from wavewright.running.measurement_setup import prepare_again, prepare_measurement
from wavewright.running.measurement_steps import wanted_shot
from wavewright.running.run import PreparedRun, draw_of, prepare, standing_of
from wavewright.running.run_context import InMemory, Operator, Progress, RunContext, placing_text
from wavewright.running.run_options import RunOptions
from wavewright.running.shot import ExaminedShot
from wavewright.running.shot_stopping import ShotStopper, StoppedShort
from wavewright.running.stored_waveforms import NOTHING_STORED, PlayedWaveforms, ReadStored, played_by, read_played


@dataclass(frozen=True, slots=True, eq=False)
class _Ready:
    """What the bench is set up for."""

    measurement: Measurement
    context: RunContext
    record: SettingsRecord
    placing: str
    stimulus: tuple[str, ...]


class LiveBench:
    """The bench of a watch, with all outputs off and all links closed when it is left.

    Parameters
    ----------
    file : the bench file.
    options : seed, draw and instruments, as for a run.
    operator, progress : told what happens; nobody is waited for.
    stopper : ends what takes too long.
    may_switch : whether the outputs may be switched as these steps say; asked before every one of them.
    check : called between two steps; raises where the program is to end.
    read_stored : reads a channel of a stored waveform.

    `outputs_on` : whether an output may be on.
    """

    file = ""
    distinct = None

    def __init__(
        self,
        file: BenchFile,
        options: RunOptions,
        *,
        operator: Operator,
        progress: Progress,
        stopper: ShotStopper,
        may_switch: Callable[[tuple[str, ...]], bool],
        check: Callable[[], None],
        read_stored: ReadStored | None = None,
        pause: Callable[[float], None] = waits.sleep,
        elapsed: Callable[[], float] = time.monotonic,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._file, self._options = file, options
        self._operator, self._progress, self._stopper = operator, progress, stopper
        self._may_switch, self._check, self._read_stored = may_switch, check, read_stored
        self._pause, self._elapsed, self._now = pause, elapsed, now
        self._draw = draw_of(file, seed=options.seed, draw=options.draw)
        self._open_things = ExitStack()
        self._bench: Bench | None = None
        self._ready: _Ready | None = None
        self.outputs_on = False
        self.is_simulated = file.is_simulated

    def __enter__(self) -> LiveBench:
        return self

    def __exit__(self, *fault: object) -> None:
        self.close()

    @property
    def is_ready(self) -> bool:
        """Whether the next shot can be taken as things are."""
        return self._ready is not None

    def outputs_asked(self, measurement: Measurement) -> tuple[str, ...]:
        """What a measurement does with outputs, one sentence per step; empty where it touches none.

        Raises
        ------
        FileFault : a stored waveform that the source plays cannot be used.
        """
        return tuple(_words(measurement, read_played([measurement], self._read_stored)))

    def set_up(self, recipe: Recipe, measurement: Measurement) -> None:
        """Set the bench up for a measurement: wholly, or only what has changed where that is enough.

        Raises
        ------
        BenchFault, FileFault : the recipe cannot be run here; nothing was sent.
        StoppedShort : it was ended early; the bench is not ready.
        OutputMayBeOn : an output could not be confirmed off.
        NoTrigger, NotMeasurable, Complaint, SetOtherwise, BadAnswer, NoAnswer, LinkLost : as in a run; outputs are off.
        """
        prepared = prepare(recipe, self._file, self._options, read_stored=self._read_stored)
        stimulus = tuple(_words(measurement, prepared.played))
        before, self._ready = self._ready, None
        if stimulus != (before.stimulus if before else ()):
            self.outputs_off()
        with self._giving_up():
            bench = self._opened(prepared)
            record = SettingsRecord()
            context = self._context(prepared, bench, stimulus)
            goal = requested_setup(measurement, attenuations=prepared.chosen.attenuations)
            placing = placing_text(measurement, goal.setup)
            is_near = before is not None and (before.placing, before.stimulus) == (placing, stimulus)
            self.outputs_on = bool(stimulus)
            with self._stopper.allowed():
                if is_near and not goal.is_automatic:
                    prepare_again(measurement, context, record)
                else:
                    found = prepare_measurement(measurement, context, record)
                    for remark in found.remarks:
                        self._operator.say(f"{measurement.label}: {remark}")
            for difference in record.differences:
                self._operator.say(f"{measurement.label}: {difference}")
            self._ready = _Ready(measurement, context, record, placing, stimulus)

    def take(self) -> ExaminedShot:
        """The next shot that the measurement asks for; errors as `set_up`.

        A watch has no last shot, and somebody may turn a knob at any time: every shot is read back before it is shown.
        After NoTrigger and NotMeasurable the next one can be tried at once.
        """
        ready = self._ready
        assert ready is not None, "set up first"
        with self._giving_up():
            self.outputs_on = bool(ready.stimulus)
            with self._stopper.allowed():
                shot, _ = wanted_shot(ready.measurement, ready.context, ready.record)
                ready.context.bench.check_unchanged("after a shot")
        return shot

    def outputs_off(self) -> None:
        """Switch every output off, and confirm it, if one may be on.

        Raises
        ------
        OutputMayBeOn : one could not be confirmed off.
        """
        if self._bench is not None and self.outputs_on:
            self._ready = None
            self._bench.safe_state()
        self.outputs_on = False

    def close(self) -> None:
        """All outputs off, confirmed, and all links closed; OutputMayBeOn as above."""
        self._ready, self._bench = None, None
        try:
            self._open_things.close()
        finally:
            self._open_things = ExitStack()
        self.outputs_on = False

    @contextmanager
    def _giving_up(self) -> Iterator[None]:
        """A block after whose faults the outputs are off."""
        try:
            yield
        except (WavewrightError, StoppedShort) as fault:
            self._give_up(fault)
            raise

    def _give_up(self, fault: BaseException) -> None:
        """Outputs off after a fault; a bench whose connection is lost is closed, so that it is opened anew."""
        if isinstance(fault, NoTrigger | NotMeasurable) and self._ready is not None:
            return
        if isinstance(fault, StoppedShort) and self._ready is not None and not self._ready.stimulus:
            return
        self._ready = None
        if isinstance(fault, LinkLost):
            self.close()
        else:
            self.outputs_off()

    def _opened(self, prepared: PreparedRun) -> Bench:
        """The bench with all instruments that the recipe uses."""
        names = list(prepared.chosen.names.values())
        if self._bench is not None and all(name in self._bench.instruments for name in names):
            return self._bench
        self.close()
        self._progress.step("opening the bench")
        opening = open_bench(
            self._file,
            names,
            seed=self._options.seed,
            draw=self._draw,
            pause=self._pause,
            today=self._now().date(),
        )
        self._bench = self._open_things.enter_context(opening)
        if self._bench.library:
            self._operator.say(f"VISA library: {self._bench.library}")
        self.is_simulated = self._file.is_simulated or say_simulated(self._bench.identities.values())
        return self._bench

    def _context(self, prepared: PreparedRun, bench: Bench, stimulus: tuple[str, ...]) -> RunContext:
        def check() -> None:
            self._check()
            self._stopper.check()
            if stimulus and not self._may_switch(stimulus):
                raise StoppedShort

        return RunContext(
            bench=bench,
            attenuations=prepared.chosen.attenuations,
            operator=self._operator,
            progress=self._progress,
            store=InMemory(),
            pause=self._pause,
            elapsed=self._elapsed,
            check=check,
            references=prepared.references,
            played=prepared.played,
            standing=standing_of(self._file, prepared.chosen, self._now),
        )


def _words(measurement: Measurement, played: PlayedWaveforms = NOTHING_STORED) -> Iterator[str]:
    """Where the probes are, and every step of the stimulus, in words, with a mark of what a stored waveform holds.

    A consent is for both: hands that move a probe are not to find it powered.
    """
    if measurement.stimulus and measurement.place:
        yield f"probes: {measurement.place}"
    for step in measurement.stimulus:
        yield "".join(_step_words(step, played))


def _step_words(step: StimulusStep, played: PlayedWaveforms) -> Iterator[str]:
    for name, inside in (("supply", step.supply), ("source", step.source)):
        if inside is not None:
            yield f"{name}: {', '.join(_settings(inside))}"
    if step.source is not None and (wave := played_by(step.source, played)) is not None:
        yield f" (stored waveform {hashlib.sha256(wave.codes.tobytes()).hexdigest()[:12]})"
    if step.then_wait is not None:
        yield f"; then wait {step.then_wait}"


def _settings(model: GrammarModel) -> Iterator[str]:
    for key in type(model).model_fields:
        value = getattr(model, key)
        if value is None:
            continue
        inside = f"({', '.join(_settings(value))})" if isinstance(value, GrammarModel) else str(value)
        yield f"{key.replace('_', ' ')} {inside}"
