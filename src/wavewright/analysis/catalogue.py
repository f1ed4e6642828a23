"""The catalogue of metrics: one table that measuring, checking recipes and printing all read."""

from __future__ import annotations

import importlib
import inspect
import logging
import pkgutil
import typing
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.metadata import entry_points
from types import MappingProxyType
from typing import Any, TypeVar

from wavewright import analysis
from wavewright.analysis.parameters import read_parameter
from wavewright.analysis.reading import Reading
from wavewright.errors import Misuse

log = logging.getLogger(__name__)

F = TypeVar("F", bound=Callable[..., Reading])


@dataclass(frozen=True, slots=True)
class Parameter:
    """One option of a metric: its name, the annotation that says how it is written, its default."""

    name: str
    annotation: Any
    default: Any
    is_required: bool


@dataclass(frozen=True, slots=True)
class Metric:
    """One entry: a documented computation on one or more surveys.

    `channels` is the fewest and the most waveforms it takes. `unit` is "" where it is that of the waveform, "1" for
    ratios, "count" for numbers of things.
    """

    name: str
    unit: str
    source: str
    channels: tuple[int, int]
    compute: Callable[..., Reading]

    @property
    def definition(self) -> str:
        """The first line of its documentation: what it is, in the trade's words."""
        return (inspect.getdoc(self.compute) or "").split("\n", 1)[0]

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Its options: the keyword-only arguments of the function."""
        hints = typing.get_type_hints(self.compute, include_extras=True)
        return tuple(
            Parameter(name, hints[name], p.default, p.default is p.empty)
            for name, p in inspect.signature(self.compute).parameters.items()
            if p.kind is p.KEYWORD_ONLY
        )

    def options(self, given: Mapping[str, object]) -> dict[str, Any]:
        """Check and convert options as a recipe, a command line or a caller writes them.

        Raises
        ------
        Misuse : an unknown name, a missing one, a value that does not fit; says what would.
        """
        known = {parameter.name: parameter for parameter in self.parameters}
        read: dict[str, Any] = {}
        for name, value in given.items():
            if name not in known:
                near = get_close_matches(name, known, 1)
                raise Misuse(
                    f"unknown option `{name}` of metric `{self.name}`",
                    expected=f"one of {', '.join(known)}" if known else "no options",
                    do=f"did you mean `{near[0]}`?" if near else "",
                )
            read[name] = read_parameter(value, known[name].annotation, name=name)
        if missing := [p.name for p in known.values() if p.is_required and p.name not in given]:
            raise Misuse(f"metric `{self.name}` needs {', '.join(f'`{name}`' for name in missing)}")
        return read


_entered: dict[str, Metric] = {}


def metric(name: str, *, unit: str, source: str, channels: int | tuple[int, int] = 1) -> Callable[[F], F]:
    """Enter the decorated function into the catalogue; it stays an ordinary function.

    The function takes one `Survey` a channel, positionally, and options by keyword, and returns a `Reading`
    or raises `NotMeasurable`.
    """

    def enter(function: F) -> F:
        if name in _entered:
            raise Misuse(f"metric `{name}` is already defined in {_entered[name].compute.__module__}")
        span = (channels, channels) if isinstance(channels, int) else channels
        _entered[name] = Metric(name, unit, source, span, function)  # last: a refused entry leaves no trace
        return function

    return enter


@cache
def metrics() -> Mapping[str, Metric]:
    """Every metric by name: the modules of this package, then what other packages bring."""
    for module in pkgutil.iter_modules(analysis.__path__, "wavewright.analysis."):
        importlib.import_module(module.name)
    for point in entry_points(group="wavewright.metrics"):
        try:
            point.load()
        except Exception:  # somebody else's package must not take ours down
            log.exception("the metrics of `%s` are left out", point.name)
    return MappingProxyType(dict(sorted(_entered.items())))


def find_metric(name: str) -> Metric:
    """The metric of that name.

    Raises
    ------
    Misuse : there is none; names the nearest.
    """
    table = metrics()
    if name in table:
        return table[name]
    near: Sequence[str] = get_close_matches(name, table, 3)
    raise Misuse(
        f"unknown metric `{name}`",
        expected="a name that `wavewright metrics` lists",
        do=f"did you mean {' or '.join(f'`{word}`' for word in near)}?" if near else "",
    )
