"""`wavewright run RECIPE`: measure, judge, keep the evidence."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.batch import BatchConsole, BatchOptions, Pace, serials_of, summary_json, summary_lines
from wavewright.cli.bench_choice import chosen_bench
from wavewright.cli.completion import complete_recipe
from wavewright.cli.loading import unscanned
from wavewright.cli.operator_terminal import OperatorTerminal
from wavewright.cli.options import (
    Answers,
    Bench,
    CapturesAt,
    Draw,
    Instruments,
    LogbookAt,
    Seed,
    Settings,
    read_answers,
    read_instruments,
    read_settings,
)
from wavewright.cli.output import AsJson, LaterConsole, console, print_json
from wavewright.cli.picture_option import PictureAt, show_outcome_pictures
from wavewright.cli.quick_start import defer
from wavewright.cli.telling import TellCommand, TellFile, telling
from wavewright.errors import Misuse, OutputMayBeOn, StorageFault, WavewrightError

if TYPE_CHECKING:
    from wavewright.instruments.bench_file import BenchFile
    from wavewright.logbook.batch_answers import BatchAnswers
    from wavewright.recipe.recipe import Recipe
    from wavewright.running.interruption import Interrupted, Interruption
    from wavewright.running.outcome import Outcome
    from wavewright.running.run_options import RunOptions

AGAIN = "outputs are off, and what was measured is kept; the same command runs the unit again"


def run(
    recipe: Annotated[Path, typer.Argument(help="The recipe.", autocompletion=complete_recipe)],
    *,
    bench: Bench = None,
    settings: Settings = None,
    instrument: Instruments = None,
    answer: Answers = None,
    attach: Annotated[
        list[Path] | None, typer.Option(help="A file to be kept with the run, such as a photograph; may be repeated.")
    ] = None,
    note: Annotated[str, typer.Option(help="A text to be kept with the run.")] = "",
    serial: Annotated[str, typer.Option(help="Serial number of the unit under test.")] = "",
    operator: Annotated[str, typer.Option(help="Operator's name.")] = "",
    out: Annotated[Path, typer.Option(help="Folder of the evidence; each run has a folder of its own in it.")] = Path(
        "outcomes"
    ),
    yes: Annotated[
        bool, typer.Option("--yes", help="Unattended: cautions and probe places are shown, not confirmed.")
    ] = False,
    stop_at_first: Annotated[
        bool, typer.Option("--stop-at-first", help="Stop after the first measurement that does not pass.")
    ] = False,
    seed: Seed = None,
    draw: Draw = None,
    cross_check: Annotated[
        bool, typer.Option("--cross-check", help="List the instrument's built-in measurements beside ours.")
    ] = False,
    time_limit: Annotated[
        str | None, typer.Option(help="Longest time that a run may take, such as `600 s`; the recipe's if left out.")
    ] = None,
    keep_as: Annotated[
        Path | None, typer.Option(help="Save the first shot of each measurement in this folder as reference waveform.")
    ] = None,
    full_wire_log: Annotated[
        bool, typer.Option("--full-wire-log", help="Keep records in the wire log too, so that it can be replayed.")
    ] = False,
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
    no_logbook: Annotated[bool, typer.Option("--no-logbook", help="Do not enter the outcome into a logbook.")] = False,
    station: Annotated[str, typer.Option(help="Test station, for the logbook.")] = "",
    wait: Annotated[float, typer.Option(help="How long to wait while another run uses the bench, s.")] = 600.0,
    batch: Annotated[
        bool,
        typer.Option("--batch", help="Test one unit after another: ask for, or read, one serial number after another."),
    ] = False,
    serials: Annotated[Path | None, typer.Option(help="With --batch: serial numbers, one per line.")] = None,
    batch_name: Annotated[
        str, typer.Option(help="With --batch: its name; an interrupted batch is resumed under its name.")
    ] = "",
    serial_pattern: Annotated[
        str | None, typer.Option(help="Pattern for the whole serial number, in place of the recipe's.")
    ] = None,
    repeat_passed: Annotated[
        bool, typer.Option("--repeat-passed", help="With --batch: retest units that have passed.")
    ] = False,
    stop_after: Annotated[
        int, typer.Option(min=0, help="With --batch: stop after this number of failures in a row; 0: never.")
    ] = 0,
    retest_anyway: Annotated[
        bool,
        typer.Option("--retest-anyway", help="Run a unit that has had its retests; recorded, needs --operator."),
    ] = False,
    quarantined_anyway: Annotated[
        bool,
        typer.Option("--quarantined-anyway", help="Run a unit that is in quarantine; recorded, needs --operator."),
    ] = False,
    seed_from_serial: Annotated[
        bool,
        typer.Option("--seed-from-serial", help="A simulated bench has a different board for each serial number."),
    ] = False,
    statistics: Annotated[
        bool, typer.Option("--statistics", help="Show the statistics over the shots of each result.")
    ] = False,
    times: Annotated[
        bool, typer.Option("--times", help="Show where the time went: trigger, answers, transfer, evaluation, people.")
    ] = False,
    tell: TellCommand = None,
    tell_file: TellFile = None,
    picture: PictureAt = None,
    as_json: AsJson = False,
) -> int:
    """Run a recipe on a bench, judge, and keep the evidence.

    Outputs are switched off, and confirmed off, at the end, after any fault, and on Ctrl-C.
    """
    with unscanned():
        # nothing is computed before an instrument has answered, and PyVISA-py uses psutil only to look for instruments
        defer("numpy", "psutil")
        from wavewright.buses.search.patterns import read_pattern
        from wavewright.instruments.bench_file import load_bench
        from wavewright.instruments.simulated import fresh_draw
        from wavewright.instruments.stop_signals import STOP_SIGNALS
        from wavewright.logbook.default_location import usual_logbook
        from wavewright.logbook.kept_run import run_and_keep
        from wavewright.quantities import read_quantity
        from wavewright.recipe.load import load_recipe
        from wavewright.running.interruption import Interrupted
        from wavewright.running.run_options import RunOptions
        from wavewright.running.shipped_files import find_file

        import_module("wavewright.instruments.library")  # needed as soon as the bench is opened

    there = load_bench(chosen_bench(bench, recipe))
    wanted = load_recipe(find_file(recipe), set=read_settings(settings))
    pattern = wanted.serial_pattern if serial_pattern is None else read_pattern(serial_pattern).text
    is_batch = batch or serials is not None
    lot = (batch_name or f"{datetime.now(UTC):%Y%m%d-%H%M%S}") if is_batch else ""
    where = logbook or usual_logbook()
    desk = OperatorTerminal(LaterConsole(), is_attended=not yes)
    given = read_answers(answer)
    asked = (
        _asked_once(wanted, given, desk, lot=(lot, station, there.is_simulated), logbook=where, out=out)
        if is_batch
        else None
    )
    options = RunOptions(
        serial=serial,
        serial_pattern=pattern,
        operator=operator,
        station=station,
        batch=lot,
        out=out,
        logbook=None if no_logbook else where,
        captures=captures,
        logbook_may_be_away=is_batch,  # it was there when the batch began
        instruments=read_instruments(instrument),
        attach=attach or (),
        note=note,
        answers=given if asked is None else asked.given,
        seed=seed,
        draw=draw,
        stop_at_first=stop_at_first,
        retest_anyway=retest_anyway,
        quarantined_anyway=quarantined_anyway,
        cross_check=cross_check,
        full_wire_log=full_wire_log,
        time_limit=None if time_limit is None else read_quantity(time_limit, unit="s", least=1e-3).value,
        patience=wait,
        desk=desk,
        progress=desk,
        say=desk.say,
    )

    def run_one(unit: str, interruption: Interruption | None = None) -> Outcome:
        own: dict[str, object] = {}
        if seed_from_serial:
            from wavewright.logbook.batch_run import seed_of

            own = {"seed": seed_of(unit), "draw": fresh_draw() if draw is None else draw}
        return run_and_keep(wanted, options.changed(serial=unit, **own), bench=there, interruption=interruption)

    with telling(tell, tell_file, out=out, station=station, batch=lot, say=desk.say) as told:
        try:
            if asked is not None:
                if no_logbook:
                    raise Misuse(
                        "--batch without a logbook", do="omit --no-logbook: the logbook holds which units have passed"
                    )
                return _run_batch(
                    wanted, run_one, where, serials, BatchOptions(lot, pattern, repeat_passed, stop_after),
                    options=options, bench=there, desk=desk, as_json=as_json, told=told, answers=asked,
                    say_fitness=partial(_say_fitness, wanted, there, options, desk), picture=picture, times=times,
                )  # fmt: skip
            outcome = run_one(serial)
        except (WavewrightError, Interrupted) as fault:
            desk.close()
            return _show_broken(fault, desk, told, partial(_show, statistics=statistics, times=times, as_json=as_json))
        finally:
            desk.close()
        told(outcome)
        _show(outcome, statistics=statistics, times=times, as_json=as_json, picture=picture)
    if keep_as is not None:
        from wavewright.logbook.golden_waveforms import keep_golden

        keep_golden(outcome, keep_as)
    if outcome.error in {str(Interrupted(number)) for number in STOP_SIGNALS}:
        desk.say(f"{outcome.error}: {AGAIN}")
    return outcome.verdict.exit_status


def _show_broken(
    fault: WavewrightError | Interrupted,
    desk: OperatorTerminal,
    told: Callable[[Outcome], None],
    show: Callable[[Outcome], None],
) -> int:
    """What a run brought that an error or a signal ended; the error is raised again, and a signal is an exit status."""
    from wavewright.running.interruption import Interrupted
    from wavewright.running.outcome import Outcome

    if not isinstance(fault.outcome, Outcome):
        if isinstance(fault, Interrupted):
            desk.say(f"{fault}: {AGAIN}")
            return WavewrightError.exit_status
        raise fault
    told(fault.outcome)
    if isinstance(fault, OutputMayBeOn):  # nobody is to read a table before this, and after it once more
        desk.say(str(fault))
    show(fault.outcome)
    if isinstance(fault, Interrupted):
        desk.say(f"{fault}: {AGAIN}")
        return fault.outcome.verdict.exit_status
    raise fault


def _asked_once(
    recipe: Recipe,
    given: Mapping[str, str],
    desk: OperatorTerminal,
    *,
    lot: tuple[str, str, bool],
    logbook: str | Path,
    out: Path,
) -> BatchAnswers:
    """What is asked once for a batch, before its first serial number."""
    from wavewright.logbook.batch_answers import BatchOfStation, batch_answers

    return batch_answers(recipe, BatchOfStation(recipe.name, *lot), given, desk, logbook=logbook, out=out)


def _say_fitness(recipe: Recipe, bench: BenchFile, options: RunOptions, desk: OperatorTerminal) -> None:
    """What speaks against the set-up: once for a batch, whose units share it; a single run says it by itself."""
    from wavewright.logbook.kept_run import fitness

    for one in fitness(recipe, bench=bench, instruments=options.instruments):
        desk.say(one.told)


def _show(outcome: Outcome, *, statistics: bool, times: bool, as_json: bool, picture: str | None = None) -> None:
    """What a run brought; a picture that cannot be drawn is said, and does not change what the run found."""
    from wavewright.logbook.outcome_files import outcome_as_json
    from wavewright.reporting.console import print_outcome, print_statistics, print_times

    if as_json:
        waits = {} if outcome.waits_in is None else {"waits_in": str(outcome.waits_in)}
        print_json({**outcome_as_json(outcome), "folder": str(outcome.folder), "id": outcome.id, **waits})
    else:
        print_outcome(outcome, console())
        if statistics:
            print_statistics(outcome, console())
        if times:
            print_times(outcome, console())
    if picture is not None:
        try:
            show_outcome_pictures(outcome, picture, as_json=as_json)
        except WavewrightError as fault:
            console(stderr=True).print(f"no picture: {fault}", markup=False, soft_wrap=True)


def _run_batch(
    recipe: Recipe,
    run_one: Callable[..., Outcome],
    where: object,
    file: Path | None,
    how: BatchOptions,
    *,
    options: RunOptions,
    bench: BenchFile,
    desk: OperatorTerminal,
    as_json: bool,
    told: Callable[[Outcome], None],
    answers: BatchAnswers,
    say_fitness: Callable[[], None],
    picture: str | None,
    times: bool,
) -> int:
    from wavewright.logbook.batch_answers import keep_answers
    from wavewright.logbook.batch_line import line_of
    from wavewright.logbook.batch_run import run_batch
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.delivery import forward_waiting
    from wavewright.logbook.queries import Filter, entries
    from wavewright.logbook.studies.times import times_of_runs
    from wavewright.reporting.batch import study_batch
    from wavewright.running.interruption import interruptible

    if picture is not None:
        raise Misuse("--picture of a batch", do="`wavewright report ID --picture WHERE` draws one of its runs")
    known = None if file is None else serials_of(file)
    pace, say = Pace(len(known or ())), desk.say
    out, simulated = Path(options.out or "outcomes"), bench.is_simulated
    screen = BatchConsole(console(stderr=True), pace, desk, is_scanned=known is None, told=told)
    say_fitness()

    def given() -> Iterator[str]:
        for serial in screen.serials() if known is None else known:
            desk.heading = pace.begin()
            yield serial

    # signals end the batch and not only the unit that is on: their handlers stay over all of it
    with Logbook(str(where)) as book, interruptible(say=say) as signals:
        forward_waiting(book, out, say=say)  # a batch that is resumed has runs among what waits
        run_unit = partial(run_one, interruption=signals)
        line = line_of(recipe, bench, options, book, desk=screen, run_one=run_unit)
        keep_answers(answers, line.records.journal, operator=options.operator, say=say)
        done = run_batch(
            given(), run_unit, book=book, recipe=recipe.name, batch=how.name,
            pattern=how.pattern, repeat_passed=how.repeat_passed, stop_after=how.stop_after, interruption=signals,
            simulated=simulated, line=line, desk=screen,
        )  # fmt: skip
        with signals.shielded():
            study = spent = None
            try:
                forward_waiting(book, out, say=say)
                there = {entry.id for entry in entries(book, Filter(recipe=recipe.name, batch=how.name))}
                ids = [run for run, _, _ in done.runs if run in there]
                study = study_batch(book, ids=ids) if ids else None
                spent = times_of_runs(book, Filter(recipe=recipe.name, batch=how.name)) if ids and times else None
            except StorageFault as fault:
                say(f"no study of the batch: {str(fault).splitlines()[0]}")
    if as_json:
        print_json({**summary_json(study, done), **({} if spent is None else {"times": dict(spent.plain)})})
    else:
        print(*summary_lines(study, done), *(() if spent is None else spent.lines), sep="\n")
    if done.fault is not None:
        say(f"{done.fault}\nthe batch was interrupted; the same command with --batch-name {how.name} resumes it")
    return done.verdict.exit_status
