"""A run: every measurement of a recipe on a bench, and outputs off at its end whatever happened."""

from __future__ import annotations

import platform
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import distribution, version
from typing import TYPE_CHECKING

from wavewright.analysis.reading import Doubt
from wavewright.errors import WavewrightError
from wavewright.instruments import waits
from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.simulated import fresh_draw, say_simulated
from wavewright.instruments.spent_time import SpentTime, TimePart
from wavewright.instruments.vocabulary import Role
from wavewright.instruments.wire_log import WireLog
from wavewright.recipe.recipe import Recipe
from wavewright.running.attachment import Attachment, note_of
from wavewright.running.calibration import calibration_notes
from wavewright.running.declared import Declared, DeclaredReadings
from wavewright.running.fitness.examination import fitness_of, require_fit
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.input_facts import standing_doubts
from wavewright.running.interruption import CutShort, Interrupted, Interruption, TimeLimit, interruptible
from wavewright.running.loading_ahead import LoadingAhead
from wavewright.running.origins import origin_of_corrections, origins_of_profiles
from wavewright.running.outcome import Origin, Outcome
from wavewright.running.record_size import record_size
from wavewright.running.result import MeasurementOutcome
from wavewright.running.run_context import (
    CaptureStore,
    InMemory,
    Logged,
    RunContext,
    ShowingPictures,
    Silent,
    TakingNotes,
    TimedOperator,
    Unattended,
    caution_text,
)
from wavewright.running.run_options import DEFAULTS, RunOptions
from wavewright.running.selection import Selection, select
from wavewright.running.stored_waveforms import PlayedWaveforms, ReadStored, ReferenceWaveforms, read_played

if TYPE_CHECKING:
    import pyvisa


@dataclass(frozen=True, slots=True)
class PreparedRun:
    """A run that can begin: everything that can be refused without an instrument has been examined.

    Parameters
    ----------
    chosen : the instruments that it uses.
    played, references : the stored waveforms that the source plays, and those that shots are compared with.
    fitness : what was found about the limits and the set-up.
    attachments : what is attached to the run before it begins.
    """

    recipe: Recipe
    bench: BenchFile
    options: RunOptions
    chosen: Selection
    played: PlayedWaveforms
    references: ReferenceWaveforms
    fitness: tuple[FitnessFinding, ...] = ()
    attachments: tuple[Attachment, ...] = ()


def prepare(
    recipe: Recipe, bench: BenchFile, options: RunOptions = DEFAULTS, *, read_stored: ReadStored | None = None
) -> PreparedRun:
    """Choose the instruments and read the stored waveforms; nothing is opened or sent.

    Parameters
    ----------
    read_stored : reads a channel of a stored waveform, for comparisons, masks and what the source plays.

    Raises
    ------
    BenchFault : the bench lacks or forbids what the recipe needs, or cannot decide a limit and the recipe requires it.
    FileFault : a stored waveform, to compare with or to play, cannot be used.
    Misuse : `options` names an instrument for a role that the recipe does not use.
    """
    played = read_played(recipe, read_stored)
    chosen = select(recipe, bench, instruments=options.instruments or {}, played=played)
    references = ReferenceWaveforms(recipe, read_stored=read_stored)
    references.load(recipe)
    findings = fitness_of(recipe, bench, chosen)
    require_fit(findings, recipe)
    return PreparedRun(recipe, bench, options, chosen, played, references, findings)


def run(
    recipe: Recipe,
    bench: BenchFile,
    options: RunOptions = DEFAULTS,
    *,
    read_stored: ReadStored | None = None,
    store: CaptureStore | None = None,
    pause: Callable[[float], None] = waits.sleep,
) -> Outcome:
    """Run a recipe on a bench: `prepare` and `carry_out`, whose parameters and errors these are."""
    return carry_out(prepare(recipe, bench, options, read_stored=read_stored), store=store, pause=pause)


def carry_out(
    prepared: PreparedRun,
    *,
    store: CaptureStore | None = None,
    manager: pyvisa.ResourceManager | None = None,
    interruption: Interruption | None = None,
    pause: Callable[[float], None] = waits.sleep,
    elapsed: Callable[[], float] = time.monotonic,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    account: SpentTime | None = None,
    loading: LoadingAhead | None = None,
) -> Outcome:
    """Make every measurement of a run.

    A fault that concerns one measurement becomes its verdict `error`, and the next one follows. A broken connection, a
    full disk or an interruption ends the run; the outcome says so, and holds what was measured before. Outputs are
    switched off, and confirmed off, before this returns or raises.

    Parameters
    ----------
    store : takes captures and dialogue as they come; memory if None.
    manager : of another VISA library than the bench file's, for a replay say.
    interruption : what signals do, where the caller has taken them over for longer than the run.
    pause, elapsed, now : the clock; a test hands in its own.
    account : of where the time goes; one that begins now if None.
    loading : of what is needed after the first message; of what measurements need if None.

    Raises
    ------
    OutputMayBeOn : an output could not be confirmed off.
    StorageFault : the store has no room, or takes nothing; nothing was sent.
    LinkLost, NoAnswer, BadAnswer : an instrument is missing at the beginning.

    An error that comes once the store has begun has, in `outcome`, what the run brought until then.
    """
    recipe, bench, options, chosen = prepared.recipe, prepared.bench, prepared.options, prepared.chosen
    times = account or SpentTime()
    into, person = store or InMemory(), TimedOperator(options.desk or Unattended(), times)
    drawn = draw_of(bench, seed=options.seed, draw=options.draw)
    started, names = now(), list(chosen.names.values())
    inputs = {channel.input for measurement in recipe for channel in measurement.channels.values()}
    log = WireLog(into.wire_log, full=options.full_wire_log)
    measurements: list[MeasurementOutcome] = []
    cut_short: list[CutShort] = []
    read = DeclaredReadings(recipe.ask)
    attached = list(prepared.attachments)
    identities: dict[str, str] = {}

    def brought(error: str) -> Outcome:
        if isinstance(options.desk, TakingNotes):
            attached.extend(note_of(text, at=now(), by=options.operator) for text in options.desk.take_notes())
        return Outcome(
            title=recipe.title,
            part=recipe.part,
            serial=options.serial,
            operator=options.operator,
            started=started,
            ended=now(),
            recipe=Origin(recipe.path, recipe.text, recipe.sha256),
            bench=Origin(bench.path, bench.text, bench.digest),
            corrections=origin_of_corrections(bench),
            calibrations=calibration_notes(bench, started.date(), names=names, inputs=inputs),
            profiles=origins_of_profiles(chosen),
            parameters=dict(recipe.parameters),
            seed=bench.seed if options.seed is None else options.seed,
            draw=drawn,
            is_simulated=bench.is_simulated or manager is not None or say_simulated(identities.values()),
            identities=identities,
            versions=versions(),
            measurements=(*measurements, *(one.outcome() for one in cut_short)),
            error=error,
            captures=into.captures if isinstance(into, InMemory) else {},
            times=times.so_far(),
            attachments=tuple(attached),
            declared={name: one for name, one in (options.answers or {}).items() if isinstance(one, Declared)},
        )

    def outcome(error: str) -> Outcome:
        done = brought(error)
        found, faults = read.declared(done.results, made=frozenset(one.label for one in done.measurements))
        # a run that ended early need not have them; one that was completed lacks what it was to declare
        return replace(done, declared={**done.declared, **found}, error=error or "\n".join(faults))

    signals = interruptible(say=person.say) if interruption is None else nullcontext(interruption)
    with naming_outcome(outcome), signals as taken, loading or LoadingAhead() as ahead:
        into.begin(replace(outcome(""), times={}), size=record_size(recipe, chosen))
        if not options.batch:  # the units of a batch have one set-up: who starts it says this once
            for one in prepared.fitness:
                person.say(one.told)
        if recipe.cautions:
            person.confirm(caution_text(recipe.cautions))
        with open_bench(
            bench,
            names,
            wire_log=log,
            seed=options.seed,
            draw=drawn,
            manager=manager,
            pause=pause,
            today=started.date(),
            identified=lambda name: ahead.begin(),
        ) as opened:
            identities |= opened.identities
            ahead.wait()
            from wavewright.running.measurement_sequence import MeasurementSequence

            if opened.library:
                person.say(f"VISA library: {opened.library}")
            into.identified(identities)
            limit = TimeLimit(recipe.time_limit if options.time_limit is None else options.time_limit)
            limit.govern(opened)
            for instrument in opened.instruments.values():
                instrument.link.times = times
            context = RunContext(
                bench=opened,
                attenuations=chosen.attenuations,
                operator=limit.asking(person),
                progress=Logged(options.progress or Silent()),
                store=into,
                pause=timed(limit.pausing(pause), times),
                elapsed=elapsed,
                check=_both(taken.check, limit.check),
                references=prepared.references,
                played=prepared.played,
                shielded=taken.shielded,
                standing=standing_of(bench, chosen, now),
                pictures=recipe.pictures,
                show_picture=options.desk.show_picture if isinstance(options.desk, ShowingPictures) else None,
                hear=read.hear,
                is_cross_checked=options.cross_check or recipe.cross_check,
                times=times,
            )
            sequence = MeasurementSequence(
                recipe, context, taken, measurements, cut_short, stop_at_first=options.stop_at_first
            )
            error = sequence.run()
    return outcome(error)


@contextmanager
def naming_outcome(outcome: Callable[[str], Outcome]) -> Iterator[None]:
    """Give whatever ends a run what it brought until then, so that its evidence is not lost."""
    try:
        yield
    except WavewrightError as fault:
        fault.outcome = outcome(str(fault))
        raise
    except Interrupted as signal:
        signal.outcome = outcome(str(signal))
        raise


def versions() -> dict[str, str]:
    """Of everything that has a part in a number."""
    packages = ("wavewright", "numpy", "scipy", "pyvisa", "pyvisa-py", "pyvisa-sim")
    return {"python": platform.python_version(), **{name: _version(name) for name in packages}}


@cache
def _version(name: str) -> str:
    """Of a package; the library parses all that a package says of itself for it, its description included."""
    said = (distribution(name).read_text("METADATA") or "").partition("\n\n")[0].splitlines()
    return next((line.partition(": ")[2] for line in said if line.startswith("Version: ")), None) or version(name)


def standing_of(bench: BenchFile, chosen: Selection, now: Callable[[], datetime]) -> Callable[[Role], dict[Doubt, str]]:
    """What the bench itself says against the readings of an instrument, by its role, whenever it is asked."""
    return lambda role: standing_doubts(bench.instruments[chosen.names[role]], chosen.profiles[role], now=now())


def timed(pause: Callable[[float], None], times: SpentTime) -> Callable[[float], None]:
    """The same pause, which is counted."""

    def counted(seconds: float) -> None:
        with times.on(TimePart.PAUSES):
            pause(seconds)

    return counted


def _both(*checks: Callable[[], None]) -> Callable[[], None]:
    def check() -> None:
        for one in checks:
            one()

    return check


def draw_of(bench: BenchFile, *, seed: int | None, draw: int | None) -> int | None:
    """None for instruments that draw for themselves."""
    if not bench.is_simulated:
        return None
    if draw is not None:
        return draw
    return fresh_draw() if seed is None else seed
