"""A run whose evidence is kept: what `wavewright run` and `wavewright.run` do."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from wavewright.buses.search.patterns import read_pattern
from wavewright.errors import Misuse, OutputMayBeOn, WavewrightError
from wavewright.instruments import waits
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.formats.catalogue import read_stored
from wavewright.logbook.late_delivery import FirstRunAdmission, LateDelivery, plain_logbook
from wavewright.logbook.storable import LONGEST_PATH, check_words, shown, unstorable_serial
from wavewright.recipe.load import load_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.running.attachment import Attachment, files_of, note_of, pictures_of_places
from wavewright.running.bench_lock import addresses, bench_lock
from wavewright.running.declared import Declared, answered
from wavewright.running.fitness.examination import fitness_on_bench
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.interruption import Interrupted, Interruption, interruptible
from wavewright.running.loading_ahead import LoadingAhead
from wavewright.running.outcome import Outcome
from wavewright.running.run import carry_out, prepare
from wavewright.running.run_context import Operator, Progress
from wavewright.running.run_options import DEFAULTS, PATIENCE, RunOptions, refusing_strangers
from wavewright.running.shipped_files import find_file, named_or_usual

if TYPE_CHECKING:
    from pyvisa import ResourceManager

    from wavewright.logbook.delivery import Delivery
    from wavewright.logbook.line_notes import LineNote
    from wavewright.logbook.unit_admission import UnitAdmission


@refusing_strangers
def run(
    recipe: Recipe | str | Path,
    *,
    bench: BenchFile | str | Path | None = None,
    serial: str = "",
    serial_pattern: str | None = None,
    operator: str = "",
    station: str = "",
    batch: str = "",
    out: str | Path | None = None,
    logbook: str | Path | None = None,
    logbook_may_be_away: bool = False,
    captures: str | Path | None = None,
    instruments: Mapping[str, str] | None = None,
    answers: Mapping[str, str | Declared] | None = None,
    attach: Sequence[str | Path] = (),
    note: str = "",
    seed: int | None = None,
    draw: int | None = None,
    stop_at_first: bool = False,
    retest_anyway: bool = False,
    quarantined_anyway: bool = False,
    cross_check: bool = False,
    full_wire_log: bool = False,
    time_limit: float | None = None,
    patience: float = PATIENCE,
    desk: Operator | None = None,
    progress: Progress | None = None,
    say: Callable[[str], None] | None = None,
) -> Outcome:
    """Run a recipe on a bench, and keep the evidence.

    Parameters
    ----------
    recipe, bench : read already, or names of files; where there is no such file, the shipped one of that name is taken.
        Without a bench: `bench.yaml` beside the recipe or in this folder, that of WAVEWRIGHT_BENCH, or else the
        simulated bench; which one it is is said.
    serial : number of the unit under test.
    serial_pattern : what the whole of the serial number must match, in place of the recipe's pattern.
    operator : name of the person at the bench, for the outcome.
    station : test station, for the logbook.
    batch : which batch the unit belongs to, for the logbook.
    out : folder that the evidence goes into, in a folder of its own; None keeps captures in memory and writes nothing.
    logbook : path or URL of a logbook that the outcome is entered into; None enters it into none.
    logbook_may_be_away : begin although it cannot be reached, as in a batch that has begun. In either case an outcome
        that it does not take waits in a spool beside the evidence, and each later run, or `wavewright logbook forward`,
        enters it.
    captures : folder or URL of a store in which the logbook's captures are shared with other computers; that of
        WAVEWRIGHT_CAPTURES, or the one that the logbook remembers, if None. What it does not take waits here.
    instruments : by role, which of the bench's instruments takes it, where there are several.
    answers : to what the recipe's `ask` asks, by name; what is not here comes from an environment variable such
        as WAVEWRIGHT_ANSWER_WORK_ORDER, or is asked at the desk, if it has `ask(text)` and its `can_ask` is true.
    attach, note : files, such as photographs, and a text that are kept with the run; files are read before it begins.
    seed : of a simulated bench, in place of the bench file's: what the board and the instruments are built like, and
        unless `draw` is given also what fluctuates.
    draw : what fluctuates on a simulated bench: noise, sampling phase, when a rare thing happens. Without it and
        without a seed each run draws anew.
    stop_at_first : end after the first measurement that did not pass.
    retest_anyway : run a unit that has had the retests of its recipe; needs an operator, and is noted.
    quarantined_anyway : run a unit that is in quarantine; needs an operator, and the outcome says so.
    cross_check : ask the instrument for its own values as well, whether or not the recipe says so.
    full_wire_log : keep the bytes of records in the wire log too, so that the run can be replayed from it.
    time_limit : s; longest time that the run may take, waiting for a person left out; the recipe's if None.
    patience : s; how long to wait while another run uses the bench.
    desk : the operator's prompts and messages, with `confirm(text)` and `say(text)`; None: no prompts.
    progress : called at every step, with `begin`, `step`, `shot` and `end`; None shows nothing.
    say : a function that shows the operator which bench was taken, that the run waits, and for which other run.

    Returns
    -------
    The outcome; its captures are read from the evidence when they are asked for.

    Raises
    ------
    Misuse : there is no such option, or it has a value that it cannot have; a serial number or a name cannot be
        stored, a serial number does not match its pattern, or answers are missing or do not fit; the unit is in
        quarantine, or has had its retests. Nothing was sent.
    FileFault : a file says something that cannot be used; a stored waveform, to compare with or to play, included.
    BenchFault : the bench lacks or forbids what the recipe needs, or another run uses it; nothing was sent.
    StorageFault : evidence or logbook take nothing; if so from the beginning, nothing was sent.
    OutputMayBeOn : an output could not be confirmed off.
    LinkLost, NoAnswer, BadAnswer : an instrument is missing at the beginning.

    What was measured until an error came is kept, and is the `outcome` of the error.
    """
    options = RunOptions(
        serial=serial, serial_pattern=serial_pattern, operator=operator, station=station, batch=batch, out=out,
        logbook=logbook, logbook_may_be_away=logbook_may_be_away, captures=captures, instruments=instruments,
        answers=answers, attach=attach, note=note, seed=seed, draw=draw,
        stop_at_first=stop_at_first, retest_anyway=retest_anyway, quarantined_anyway=quarantined_anyway,
        cross_check=cross_check, full_wire_log=full_wire_log, time_limit=time_limit,
        patience=patience, desk=desk, progress=progress, say=say,
    )  # fmt: skip
    return run_and_keep(recipe, options, bench=bench)


def fitness(
    recipe: Recipe | str | Path,
    *,
    bench: BenchFile | str | Path | None = None,
    instruments: Mapping[str, str] | None = None,
) -> tuple[FitnessFinding, ...]:
    """What speaks against the set-up for each limit of a recipe on a bench; empty where all is well. Sends nothing.

    Parameters
    ----------
    recipe, bench, instruments : as for `run`.

    Raises
    ------
    BenchFault : the bench lacks or forbids what the recipe needs.
    FileFault, Misuse : as for `run`.

    Examples
    --------
    >>> fitness("recipes/rail_ripple.yaml", bench="sim/bench.yaml")
    ()
    """
    wanted = recipe if isinstance(recipe, Recipe) else load_recipe(_file("recipe", recipe))
    there = bench if isinstance(bench, BenchFile) else _named_bench(bench, wanted, _nothing)
    return fitness_on_bench(wanted, there, instruments=instruments or {}, read_stored=read_stored)


def run_and_keep(
    recipe: Recipe | str | Path,
    options: RunOptions = DEFAULTS,
    *,
    bench: BenchFile | str | Path | None = None,
    interruption: Interruption | None = None,
    manager: ResourceManager | None = None,
    pause: Callable[[float], None] = waits.sleep,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Outcome:
    """Run a recipe as `run` does, with the options in one object.

    Parameters
    ----------
    interruption, manager, pause, now : as for `wavewright.running.run.carry_out`.
    """
    say = options.say or _nothing
    wanted = recipe if isinstance(recipe, Recipe) else load_recipe(_file("recipe", recipe))
    there = bench if isinstance(bench, BenchFile) else _named_bench(bench, wanted, say)
    _check_serial(options, wanted)
    out, logbook = options.out, options.logbook
    words = {"operator": options.operator, "station": options.station, "batch": options.batch}
    folders = {"folder": "" if out is None else str(out), "logbook": "" if logbook is None else str(logbook)}
    check_words(words)
    options = options.changed(answers=answered(wanted.ask, options.answers or {}, options.desk))
    check_words({"recipe": str(wanted.path), "bench": str(there.path), **folders}, longest=LONGEST_PATH)
    prepared = prepare(wanted, there, options, read_stored=read_stored)
    attachments = _attached(options, wanted, now())
    with ExitStack() as open_things:
        # opened before anything is sent: a run whose outcome cannot be kept is not begun
        delivery = None if logbook is None else _delivery(wanted, options, logbook, say)
        if delivery is not None:
            open_things.callback(delivery.close)
        admission = None if delivery is None else _admission(wanted, options, there, delivery)
        lock = bench_lock(addresses(there), what=wanted.name, patience=options.patience, say=say)
        open_things.enter_context(lock)
        evidence = None
        if out is not None:
            codes = None if delivery is None else delivery.codes
            # a signal that comes in between would leave a folder that nobody removes
            with nullcontext() if interruption is None else interruption.shielded():
                evidence = Evidence(Path(out), started=now(), recipe=wanted.name, serial=options.serial, codes=codes)
                open_things.enter_context(evidence)
            attachments = evidence.attach(attachments)  # a disk that is full is found before anything is sent
        prepared = replace(prepared, attachments=attachments)
        loading = LoadingAhead(
            first=[] if evidence is None else ["h5py"],
            later=[] if delivery is None else ["wavewright.logbook.delivery", "wavewright.logbook.unit_admission"],
        )
        keeping = _Keeping(evidence, delivery, admission, options=options, say=say)
        # handlers stay until the evidence is written: a second Ctrl-C would otherwise throw it away
        signals = interruption or open_things.enter_context(interruptible(say=say))
        try:
            outcome = carry_out(
                prepared, store=evidence, manager=manager, interruption=signals, pause=pause, now=now, loading=loading
            )
        except (WavewrightError, Interrupted) as fault:
            with signals.shielded():
                keeping.keep_broken(fault)
            raise
        with signals.shielded():
            return keeping.keep(outcome)


class _Keeping:
    """Where the outcome of a run goes when it has ended."""

    def __init__(
        self,
        evidence: Evidence | None,
        delivery: Delivery | LateDelivery | None,
        admission: UnitAdmission | FirstRunAdmission | None,
        *,
        options: RunOptions,
        say: Callable[[str], None],
    ) -> None:
        self._evidence, self._delivery, self._admission = evidence, delivery, admission
        self._options, self._say = options, say

    def keep(self, outcome: Outcome) -> Outcome:
        """Finish the evidence, deliver the outcome to the logbook; an error has the outcome as far as it is kept."""
        if self._admission is not None:
            outcome = replace(outcome, **self._admission.marks)
        try:
            if self._evidence is not None:
                outcome = self._evidence.finish(outcome)
            if self._delivery is not None:
                batch = self._options.batch if self._admission is None else self._admission.batch
                noted: list[LineNote] = []
                outcome = self._delivery.deliver(
                    outcome,
                    self._collected(outcome),
                    station=self._options.station,
                    batch=batch,
                    notes=lambda named: self._noted(named, noted),
                )
                if noted:
                    from wavewright.logbook.unit_admission import said_of

                    for line in said_of(noted):
                        self._say(line)
        except WavewrightError as fault:
            fault.outcome = outcome
            if self._evidence is not None and (left := self._evidence.left_at):
                fault.do = (
                    f"make room; `wavewright logbook import {left.parent}` then enters what was measured ({left})"
                )
            raise
        return outcome

    def _noted(self, outcome: Outcome, noted: list[LineNote]) -> list[LineNote]:
        """What is to be noted of an outcome, kept to be said once it is."""
        noted += [] if self._admission is None else self._admission.notes(outcome)
        return noted

    def keep_broken(self, fault: WavewrightError | Interrupted) -> None:
        """The same for what a run brought that an error ended; the error has the outcome afterwards, if there is one.

        The first error stays the one that is reported.
        """
        is_kept = isinstance(fault, OutputMayBeOn) or (
            self._evidence is not None and self._evidence.is_worth_keeping(fault)
        )
        if not isinstance(fault.outcome, Outcome) or not is_kept:
            fault.outcome = None
            if self._evidence is not None:
                self._evidence.forget()
            return
        try:
            fault.outcome = self.keep(fault.outcome)
        except WavewrightError as second:
            fault.outcome = second.outcome
            fault.add_note(str(second))

    def _collected(self, outcome: Outcome) -> Outcome:
        """The outcome with the captures that the logbook has by now, so that nothing is read again."""
        found = None if self._evidence is None else self._evidence.collected(outcome)
        return outcome if found is None else replace(outcome, captures=found)


def _attached(options: RunOptions, recipe: Recipe, at: datetime) -> tuple[Attachment, ...]:
    """What is kept with a run beside what it measures: pictures of the recipe, then files, then the note."""
    files = files_of(options.attach, at=at, by=options.operator)
    notes = (note_of(options.note, at=at, by=options.operator),) if options.note else ()
    return (*pictures_of_places(recipe.pictures, at=at), *files, *notes)


def _check_serial(options: RunOptions, recipe: Recipe) -> None:
    """See that the serial number can be stored and matches its pattern; Misuse if not."""
    serial = options.serial
    if why := unstorable_serial(serial, recipe=recipe.name):
        raise Misuse(f"the serial number {shown(serial)} {why}", expected="printable text that UTF-8 can hold")
    pattern = recipe.serial_pattern if options.serial_pattern is None else options.serial_pattern
    if serial and pattern and not read_pattern(pattern).fullmatch(serial):
        raise Misuse(
            f"the serial number {shown(serial)} does not match `{pattern}`",
            expected="a serial number as the recipe describes it",
            do="read it off the unit again",
        )


def _file(what: str, given: object) -> Path:
    """The file that is meant; Misuse where it is not a name of a file."""
    if not isinstance(given, str | Path):
        raise Misuse(f"the {what} is {given!r}", expected=f"the name of a file, or a {what} that was loaded")
    return find_file(given)


def _nothing(text: str) -> None:
    """Where nothing is shown to anybody."""


def _named_bench(bench: str | Path | None, recipe: Recipe, say: Callable[[str], None]) -> BenchFile:
    usual = named_or_usual(None if bench is None else _file("bench", bench), recipe.path)
    if usual.why:
        say(usual.why)
    return load_bench(usual.path)


def _admission(
    recipe: Recipe, options: RunOptions, bench: BenchFile, delivery: Delivery | LateDelivery
) -> UnitAdmission | FirstRunAdmission:
    if isinstance(delivery, LateDelivery):
        return FirstRunAdmission(delivery, recipe, options, bench)
    from wavewright.logbook.unit_admission import admit

    return admit(recipe, options, bench, delivery.records)


def _delivery(
    recipe: Recipe, options: RunOptions, logbook: str | Path, say: Callable[[str], None]
) -> Delivery | LateDelivery:
    out = None if options.out is None else Path(options.out)
    plain = plain_logbook(recipe, options, out=out)
    if plain is not None:
        return LateDelivery(logbook, plain, out=out, say=say)
    from wavewright.logbook.delivery import Delivery

    return Delivery(logbook, captures=options.captures, out=out, may_be_away=options.logbook_may_be_away, say=say)
