"""The catalogue of studies: statistics over many runs of a logbook, each a command `wavewright study NAME`."""

from __future__ import annotations

import inspect
import math
import typing
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from wavewright.errors import Misuse
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter, Point, points, reading_names
from wavewright.quantities import show_quantity
from wavewright.registry import Registry


@dataclass(frozen=True, slots=True)
class StudyOption:
    """Annotation of an option of a study: what it is, and between which values it lies."""

    about: str
    least: float | None = None
    most: float | None = None


@dataclass(frozen=True, slots=True)
class StudiedReading:
    """One reading of all the runs that a study is over, oldest first; at least one of them has a value."""

    name: str
    unit: str
    points: tuple[Point, ...]

    @property
    def values(self) -> list[float]:
        """Those that are there."""
        return [point.value for point in self.points if point.value is not None]

    @property
    def low(self) -> float:
        """The lower limit of the newest run, −inf where it has none."""
        end = self.points[-1].low
        return -math.inf if end is None else end

    @property
    def high(self) -> float:
        """The upper limit of the newest run, inf where it has none."""
        end = self.points[-1].high
        return math.inf if end is None else end

    def shown(self, value: float) -> str:
        """A value in the reading's unit, as text."""
        return show_quantity(value, self.unit)


@dataclass(frozen=True, slots=True)
class StudyResult:
    """What a study found: `plain` for JSON, `lines` for a person."""

    plain: Mapping[str, Any]
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Study:
    """One entry: a documented computation over the runs of a logbook, with options.

    Parameters
    ----------
    compute : takes a `StudiedReading`, or the logbook and the filter that says which runs; and its options by keyword.
    example : a command line, shown at the end of its help.
    of_reading : whether it is over one reading.
    """

    name: str
    compute: Callable[..., StudyResult]
    example: str
    of_reading: bool
    parameters: Mapping[str, inspect.Parameter] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        hints = typing.get_type_hints(self.compute, include_extras=True)
        options = {
            name: parameter.replace(annotation=hints[name])
            for name, parameter in inspect.signature(self.compute).parameters.items()
            if parameter.kind is parameter.KEYWORD_ONLY
        }
        object.__setattr__(self, "parameters", options)

    @property
    def about(self) -> str:
        """Its documentation without what it says of errors; the first line is what it is, in the trade's words."""
        return (inspect.getdoc(self.compute) or "").partition("\n\nRaises\n")[0]


STUDIES: Registry[Study] = Registry("study", package="wavewright.logbook.studies", group="wavewright.studies")

OfReading = TypeVar("OfReading", bound=Callable[..., StudyResult])
OfRuns = TypeVar("OfRuns", bound=Callable[..., StudyResult])


def reading_study(name: str, *, example: str) -> Callable[[OfReading], OfReading]:
    """Enter the decorated function, which takes a `StudiedReading`, and options by keyword with a `StudyOption`."""

    def enter(function: OfReading) -> OfReading:
        STUDIES.enter(name, Study(name, function, example, True), made_in=function.__module__)
        return function

    return enter


def run_study(name: str, *, example: str) -> Callable[[OfRuns], OfRuns]:
    """Enter the decorated function, which takes the logbook and a `Filter`, and options by keyword."""

    def enter(function: OfRuns) -> OfRuns:
        STUDIES.enter(name, Study(name, function, example, False), made_in=function.__module__)
        return function

    return enter


def compute_study(study: Study, book: Logbook, which: Filter, of: str = "", /, **options: Any) -> StudyResult:
    """Carry a study out over the runs that a filter leaves; `of` is the name of the reading, where it is over one.

    Raises
    ------
    Misuse : no such reading, none with a value, or too few for the study.
    """
    if not study.of_reading:
        return study.compute(book, which, **options)
    found = tuple(points(book, of, which))
    if not any(point.value is not None for point in found):
        raise Misuse(f"no reading `{of}` with a value matches the filters", do="widen them")
    studied = StudiedReading(of, reading_names(book).get(of, ""), found)
    result = study.compute(studied, **options)
    return StudyResult({"reading": of, "unit": studied.unit, **result.plain}, result.lines)
