"""A calibration: a recipe run on the bench without its corrections, and what comes of it brought into their file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from wavewright.errors import BenchFault, Misuse
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.corrections_writing import WrittenCorrections, with_corrections, write_corrections
from wavewright.logbook.kept_run import run_and_keep
from wavewright.recipe.recipe import Recipe
from wavewright.running.bench_lock import bench_lock
from wavewright.running.found_corrections import CalibrationDay, found_corrections
from wavewright.running.outcome import Outcome
from wavewright.running.run_options import RunOptions

USUAL_VALIDITY = 365  # days
LONGEST_VALIDITY = 3660
PATIENCE = 30.0  # s; for another that writes the same file


@dataclass(frozen=True, slots=True)
class Calibration:
    """What a calibration has brought.

    Parameters
    ----------
    file : the file of corrections; `written` : what it holds now, or would hold.
    is_written : False where it was only tried.
    """

    outcome: Outcome
    file: Path
    written: WrittenCorrections
    is_written: bool


def calibrate(
    recipe: Recipe,
    bench: BenchFile,
    options: RunOptions,
    *,
    valid_for: int = USUAL_VALIDITY,
    is_tried: bool = False,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Calibration:
    """Run a recipe with `calibration:` and bring its corrections into the file of the bench.

    Outputs are off before anything is computed. A calibration that has a fault leaves the file as it was.

    Parameters
    ----------
    bench : its corrections are left out while it is calibrated.
    valid_for : days until the corrections are due.
    is_tried : nothing is written.

    Raises
    ------
    Misuse : the recipe calibrates nothing, or `valid_for` makes no sense.
    BenchFault : no corrections come of it; says why.
    FileFault : the file of corrections that is there cannot be read; nothing was measured.
    """
    if not recipe.calibration:
        raise Misuse(f"{recipe.path} has no `calibration:`", expected="a recipe that says what its readings are for")
    if not 1 <= valid_for <= LONGEST_VALIDITY:
        raise Misuse(f"valid for {valid_for} days", expected=f"1 to {LONGEST_VALIDITY} days")
    file = bench.corrections_path
    with_corrections(file, ())  # a file that could not be added to is better known before the work
    outcome = run_and_keep(recipe, options, bench=bench.uncorrected(), now=now)
    evidence = outcome.id or (outcome.folder.name if outcome.folder else "")
    day = outcome.started.date()
    when = CalibrationDay(day, day + timedelta(days=valid_for), options.operator, evidence)
    try:
        found = found_corrections(outcome, recipe, bench, when, instruments=options.instruments or {})
    except BenchFault as fault:
        fault.outcome = outcome
        raise
    if is_tried:
        return Calibration(outcome, file, with_corrections(file, found), is_written=False)
    with bench_lock([str(file.resolve())], what="calibration", patience=PATIENCE, say=options.say or _nothing):
        return Calibration(outcome, file, write_corrections(file, found), is_written=True)


def _nothing(text: str) -> None:
    del text
