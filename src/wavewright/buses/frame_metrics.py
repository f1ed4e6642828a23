"""Metrics over frames: a catalogue beside that of metrics over waveforms, and how they are measured."""

from __future__ import annotations

import importlib
import logging
import pkgutil
from collections.abc import Callable, Mapping
from difflib import get_close_matches
from functools import cache
from importlib.metadata import entry_points
from types import MappingProxyType
from typing import TypeVar

from wavewright.analysis.catalogue import Metric
from wavewright.analysis.reading import Reading
from wavewright.buses.frames import Frames
from wavewright.errors import Misuse, NotMeasurable

log = logging.getLogger(__name__)

F = TypeVar("F", bound=Callable[..., Reading])

_entered: dict[str, Metric] = {}


def frame_metric(name: str, *, unit: str, source: str) -> Callable[[F], F]:
    """Enter the decorated function into the catalogue; it takes `Frames`, and options by keyword.

    It returns a `Reading` or raises `NotMeasurable`.
    """

    def enter(function: F) -> F:
        if name in _entered:
            raise Misuse(f"metric `{name}` is already defined in {_entered[name].compute.__module__}")
        _entered[name] = Metric(name, unit, source, (1, 1), function)  # last: a refused entry leaves no trace
        return function

    return enter


@cache
def frame_metrics() -> Mapping[str, Metric]:
    """Every metric over frames by name: the modules of this package, then what other packages bring."""
    package = importlib.import_module("wavewright.buses")  # the name `wavewright.buses` is the public function
    for module in pkgutil.iter_modules(package.__path__, "wavewright.buses."):
        importlib.import_module(module.name)
    for point in entry_points(group="wavewright.frame_metrics"):
        try:
            point.load()
        except Exception:  # somebody else's package must not take ours down
            log.exception("the metrics of `%s` are left out", point.name)
    return MappingProxyType(dict(sorted(_entered.items())))


def find_frame_metric(name: str) -> Metric:
    """The metric over frames of that name.

    Raises
    ------
    Misuse : there is none; names the nearest.
    """
    table = frame_metrics()
    if name in table:
        return table[name]
    near = get_close_matches(name, table, 1)
    raise Misuse(
        f"unknown metric over frames `{name}`",
        expected=f"one of {', '.join(table)}",
        do=f"did you mean `{near[0]}`?" if near else "",
    )


def measure_frames(frames: Frames, name: str, **options: object) -> Reading:
    """Measure the frames of a line; where there was nothing to measure, the value is None and `reason` says why.

    Raises
    ------
    Misuse : an unknown metric or option.
    """
    entry = find_frame_metric(name)
    read = entry.options(options)
    try:
        return entry.compute(frames, **read)
    except NotMeasurable as nothing:
        reason = f"{nothing.what}; expected {nothing.expected}" if nothing.expected else nothing.what
        return Reading(value=None, unit=entry.unit, reason=reason)
