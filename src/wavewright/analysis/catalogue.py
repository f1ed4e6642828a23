"""The catalogue of metrics: one table that measuring, checking recipes and printing all read."""

from __future__ import annotations

import inspect
import types
import typing
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

from wavewright.analysis.doubts import Reads
from wavewright.analysis.expressions.dimensions import quotient
from wavewright.analysis.levels.state_levels import LevelMethod
from wavewright.analysis.parameters import ReferenceLevel, check_order, read_parameter
from wavewright.analysis.reading import Reading
from wavewright.analysis.trade_words import metrics_meant
from wavewright.errors import Misuse
from wavewright.nearest import did_you_mean
from wavewright.registry import Registry

F = TypeVar("F", bound=Callable[..., Reading])


@dataclass(frozen=True, slots=True)
class Parameter:
    """One option of a metric: its name, the annotation that says how it is written, its default.

    `argument` is the name in Python: an option that is a word of the language, such as `from`, has an argument with an
    underscore after it.
    """

    name: str
    annotation: Any
    default: Any
    is_required: bool
    argument: str = ""


@dataclass(frozen=True, slots=True)
class Metric:
    """One entry: a documented computation on one or more surveys.

    `channels` is the fewest and the most waveforms it takes. `unit` is "" where it is that of the waveform, "1" for
    ratios, "count" for numbers of things; "V/s" stands for the waveform's unit per second, "V/√Hz" likewise. `reads` is
    what it reads of a record: doubts about that bear on it.
    """

    name: str
    unit: str
    source: str
    channels: tuple[int, int]
    compute: Callable[..., Reading]
    reads_levels: bool = False
    reads: frozenset[Reads] = frozenset({Reads.ANYTHING})

    @property
    def definition(self) -> str:
        """The first line of its documentation: what it is, in the trade's words."""
        return (inspect.getdoc(self.compute) or "").split("\n", 1)[0]

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Its options: the keyword-only arguments of the function, and those that choose the state levels."""
        own = parameters_of(self.compute)
        return own + LEVEL_PARAMETERS if self.reads_levels else own

    @property
    def follows_channel(self) -> bool:
        """Whether the unit of its readings depends on that of the channel."""
        return not self.unit or self.unit.startswith("V/")

    def unit_of(self, channels: Sequence[str]) -> str:
        """The unit of its readings of channels in these units: of what is per V, that of the first channel counts."""
        first = channels[0] if channels else "V"
        if not self.unit.startswith("V/"):
            return self.unit or first
        below = self.unit.removeprefix("V/")
        return quotient(first, below) if below.isalnum() else f"{first}/{below}"

    def options(self, given: Mapping[str, object]) -> dict[str, Any]:
        """Check and convert options as a recipe, a command line or a caller writes them; by name of the argument.

        Raises
        ------
        Misuse : an unknown name, a missing one, a value that does not fit; says what would.
        """
        if not given and not _required(self):
            return {}
        known = {parameter.name: parameter for parameter in self.parameters}
        given = {_written(name, known): value for name, value in given.items()}
        read: dict[str, Any] = {}
        for name, value in given.items():
            if name not in known:
                raise Misuse(
                    f"unknown option `{name}` of metric `{self.name}`",
                    expected=f"one of {', '.join(known)}" if known else "no options",
                    do=did_you_mean(name, known),
                )
            read[known[name].argument] = read_parameter(value, known[name].annotation, name=name)
        if missing := [p.name for p in known.values() if p.is_required and p.name not in given]:
            raise Misuse(f"metric `{self.name}` needs {', '.join(f'`{name}`' for name in missing)}")
        check_order({parameter.name: parameter.default for parameter in known.values()} | read)
        return read


@cache
def _required(entry: Metric) -> tuple[str, ...]:
    """The options without which it cannot be computed; Misuse where its own defaults do not fit."""
    check_order({parameter.name: parameter.default for parameter in entry.parameters})
    return tuple(parameter.name for parameter in entry.parameters if parameter.is_required)


@cache  # as long as it takes to read a million samples
def parameters_of(function: Callable[..., Any]) -> tuple[Parameter, ...]:
    """The options of a function that computes or decodes: its keyword-only arguments.

    The annotations of the others, arrays among them, are not evaluated: those need not be loaded to read a recipe.
    """
    asked = [p for p in inspect.signature(function).parameters.values() if p.kind is p.KEYWORD_ONLY]
    written = types.SimpleNamespace(__annotations__={p.name: p.annotation for p in asked})
    hints = typing.get_type_hints(written, inspect.unwrap(function).__globals__, include_extras=True)
    return tuple(Parameter(p.name.rstrip("_"), hints[p.name], p.default, p.default is p.empty, p.name) for p in asked)


LEVEL_PARAMETERS = (
    Parameter("levels", LevelMethod, LevelMethod.AUTO, False, "levels"),
    Parameter("low_state", ReferenceLevel | None, None, False, "low_state"),
    Parameter("high_state", ReferenceLevel | None, None, False, "high_state"),
)

METRICS: Registry[Metric] = Registry(
    "metric",
    package="wavewright.analysis",
    group="wavewright.metrics",
    expected="a name that `wavewright metrics` lists",
    advice=metrics_meant,
)


def _written(name: str, known: Mapping[str, Parameter]) -> str:
    """The name of an option as a recipe writes it: Python callers may give that of the argument."""
    return name.rstrip("_") if name.rstrip("_") in known else name


def metric(
    name: str,
    *,
    unit: str,
    source: str,
    channels: int | tuple[int, int] = 1,
    reads_levels: bool = False,
    reads: Reads | Collection[Reads] = Reads.ANYTHING,
) -> Callable[[F], F]:
    """Enter the decorated function into the catalogue; it stays an ordinary function.

    The function takes one `Survey` a channel, positionally, and options by keyword, and returns a `Reading`
    or raises `NotMeasurable`. With `reads_levels` the metric also has the options `levels`, `low_state` and
    `high_state`; they are not passed to the function, but rule `survey.levels`. `reads` says what it reads of a record,
    and so which doubts about the record bear on it; where nothing is said, all of them do.
    """

    def enter(function: F) -> F:
        span = (channels, channels) if isinstance(channels, int) else channels
        entry = Metric(name, unit, source, span, function, reads_levels, parts_read(reads))
        METRICS.enter(name, entry, made_in=function.__module__)
        return function

    return enter


def parts_read(reads: Reads | Collection[Reads]) -> frozenset[Reads]:
    """One part of a record, or several, as a set."""
    return frozenset({reads} if isinstance(reads, Reads) else reads)


def metrics() -> Mapping[str, Metric]:
    """Every metric by name: the modules of this package, then what other packages bring."""
    return METRICS.everything()
