"""Readings computed again from the stored codes, with the recipe of the run or another; no instrument needed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields, is_dataclass, replace

from wavewright.analysis.reading import Reading
from wavewright.errors import StorageFault
from wavewright.logbook.formats.catalogue import read_stored
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.recipe.stored_recipe import parse_stored_recipe
from wavewright.running.evaluation import evaluate
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome, Result
from wavewright.running.stored_waveforms import ReferenceWaveforms

OF_LIMITS = {"other limit", "other rule", "other verdict"}

OF_ANOTHER_SYSTEM = 1e-10  # of runs before readings were computed alike everywhere: 1.5e-13 was seen


@dataclass(frozen=True, slots=True)
class Difference:
    """One result that is not what it was, and why; `was` or `now` is None where there is none."""

    name: str
    was: Result | None
    now: Result | None
    why: str

    @property
    def is_of_limits(self) -> bool:
        """Whether it is the same reading under another limit or decision rule, or with another verdict."""
        return self.was is not None and self.now is not None and set(self.why.split(", ")) <= OF_LIMITS


@dataclass(frozen=True, slots=True)
class Recomputed:
    """The outcome as it comes out now, and in what it differs from the stored one; nothing, if it is the same."""

    run: str
    outcome: Outcome
    differences: tuple[Difference, ...] = ()

    @property
    def is_same(self) -> bool:
        """Bit for bit the same readings, limits and verdicts."""
        return not self.differences

    @property
    def has_same_readings(self) -> bool:
        """Bit for bit the same readings, whatever the limits and so the verdicts have become."""
        return all(each.is_of_limits for each in self.differences)


def recompute(outcome: Outcome, recipe: Recipe | None = None, *, run: str = "", cores: int = 1) -> Recomputed:
    """Every reading of an outcome again from its captures.

    Parameters
    ----------
    recipe : another recipe, with other limits, metrics or levels; the run's own if not given. Measurements are matched
        by name and condition.
    run : name of the run, for the result.
    cores : how many processes, or threads, at most, where that is worth it. The result does not depend on it.

    Raises
    ------
    FileFault : the stored recipe is refused by this version.
    StorageFault : captures cannot be read.
    """
    used = recipe or parse_stored_recipe(outcome.recipe.text, outcome.recipe.file, set=outcome.parameters)
    stored = {one.label: one for one in outcome.measurements}
    references = ReferenceWaveforms(used, read_stored=read_stored)
    again = tuple(
        _again(stored[measurement.label], measurement, outcome, references, cores=cores)
        for measurement in used
        if measurement.label in stored and _has_readings(stored[measurement.label])
    )
    labels = {one.label for one in again}
    kept = tuple(one for one in outcome.measurements if one.label not in labels and one.error)
    now = replace(outcome, measurements=(*again, *kept))
    return Recomputed(run, now, tuple(_differences(outcome, now)))


def _again(
    stored: MeasurementOutcome,
    measurement: Measurement,
    outcome: Outcome,
    references: ReferenceWaveforms,
    *,
    cores: int,
) -> MeasurementOutcome:
    captures = outcome.captures.get(stored.label, ())
    if stored.shots and not len(captures):
        raise StorageFault(
            f"no captures of `{stored.label}` were kept", expected="the raw codes of every shot", do="measure again"
        )
    # of a measurement that was interrupted, the shot that was in the air may have been kept, and was not evaluated
    count = stored.shots if stored.error else None
    is_cut_short = bool(stored.error)
    results = evaluate(
        measurement, captures, references=references, count=count, is_cut_short=is_cut_short, cores=cores
    )
    return replace(stored, results=results)


def _has_readings(one: MeasurementOutcome) -> bool:
    return not one.error or one.shots > 0


def _differences(was: Outcome, now: Outcome) -> Iterable[Difference]:
    before, after = was.results, now.results
    for name in dict.fromkeys([*before, *after]):
        one, other = before.get(name), after.get(name)
        if one is None or other is None:
            yield Difference(name, one, other, "not in the stored run" if one is None else "not in the recipe now")
        elif why := _why(one, other):
            yield Difference(name, one, other, why)


def _why(was: Result, now: Result) -> str:
    """What is different about two results, in words; empty if nothing is."""
    aspects: tuple[tuple[str, Callable[[Result], object]], ...] = (
        ("other metric", lambda result: (result.metric, result.of)),
        ("other limit", lambda result: (result.limit, result.over)),
        ("other rule", lambda result: result.rule),
        ("other value", lambda result: _plain(result.reading)),
        ("other budget", lambda result: result.reading.budget),
        ("other shots", lambda result: tuple(_plain(reading) for reading in result.shots)),
        ("other verdict", lambda result: result.verdict),
    )
    return ", ".join(word for word, of in aspects if not _is_same(of(was), of(now)))


def _plain(reading: Reading) -> tuple[object, ...]:
    # the value as text: it is compared digit by digit
    return (repr(reading.value), reading.uncertainty, reading.unit, reading.doubts, reading.count)


def _is_same(was: object, now: object) -> bool:
    """Whether they are equal, numbers but for the last digits that once depended on the system's C library."""
    if isinstance(was, float) and isinstance(now, float):
        return was == now or math.isclose(was, now, rel_tol=OF_ANOTHER_SYSTEM)
    if isinstance(was, tuple) and isinstance(now, tuple):
        return len(was) == len(now) and all(map(_is_same, was, now))
    if is_dataclass(was) and type(was) is type(now):
        return all(_is_same(getattr(was, one.name), getattr(now, one.name)) for one in fields(was))
    return was == now
