"""Metrics of a decoded bus: a catalogue beside that of metrics over waveforms, and how they are measured.

Most are over the frames, whatever the bus; some are over the lines of one bus, such as the timing of clock and data.
"""

from __future__ import annotations

import typing
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from wavewright.analysis.catalogue import Metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.reading import Reading
from wavewright.buses.frame import ERRORS
from wavewright.buses.vocabulary import Spoken, Vocabulary
from wavewright.errors import Misuse, NotMeasurable
from wavewright.quantities import Interval
from wavewright.registry import Registry

if typing.TYPE_CHECKING:
    from wavewright.buses.bus_record import BusRecord
    from wavewright.buses.frames import Frames

ANY_ERROR = Vocabulary((), errors=tuple(ERRORS), of="any bus")
F = TypeVar("F", bound=Callable[..., Reading])
Published = Callable[[str, Mapping[str, Any]], Interval]
"""What a standard allows, from the name of the layer above the bus (or "") and the options of the bus."""
LinesRead = Callable[[Collection[str], Mapping[str, Any]], tuple[str, ...]]
"""Which of the lines that are connected a metric with some options looks at."""
LevelsOf: typing.TypeAlias = "Callable[[BusRecord, str], tuple[float, float] | None]"
"""The two levels, V, that the instants of a line refer to; None where they have not been found."""
BETWEEN_EDGES = frozenset({Reads.FRAMES, Reads.EDGES})
OF_FRAMES = frozenset({Reads.FRAMES})


def levels_at(bus: BusRecord, name: str) -> tuple[float, float] | None:
    """The thresholds of a line, V; None where it is not connected, or they have not been found."""
    found = bus.thresholds.get(name)
    return None if found is None or found.is_auto else (found.low, found.high)


def every_line(connected: Collection[str], options: Mapping[str, Any]) -> tuple[str, ...]:
    """Every line that is connected."""
    return tuple(connected)


@dataclass(frozen=True, slots=True)
class LineMetric(Metric):
    """One entry over the lines of a bus, which takes a `BusRecord`.

    Parameters
    ----------
    bus : whose lines they are.
    symbol : in the standard of that bus, empty where it has none.
    published : the limit of that standard, None where it has none; Misuse where it has none in a mode.
    lines : the lines that it looks at.
    levels : that its instants refer to.
    follows : the metric that its value is proportional to, whose doubts are its own; empty where there is none.
    """

    bus: str = ""
    symbol: str = ""
    published: Published | None = None
    lines: LinesRead = every_line
    levels: LevelsOf = levels_at
    follows: str = ""


FRAME_METRICS: Registry[Metric] = Registry("metric", package="wavewright.buses", group="wavewright.frame_metrics")


def frame_metric(name: str, *, unit: str, source: str) -> Callable[[F], F]:
    """Enter the decorated function into the catalogue; it takes `Frames`, and options by keyword.

    It returns a `Reading` or raises `NotMeasurable`.
    """

    def enter(function: F) -> F:
        _enter(Metric(name, unit, source, (1, 1), function, reads=OF_FRAMES))
        return function

    return enter


def line_metric(
    name: str,
    *,
    bus: str,
    unit: str,
    source: str,
    symbol: str = "",
    published: Published | None = None,
    reads: frozenset[Reads] = BETWEEN_EDGES,
    lines: LinesRead = every_line,
    levels: LevelsOf = levels_at,
    follows: str = "",
) -> Callable[[F], F]:
    """Enter the decorated function into the catalogue; it takes the `BusRecord` of that bus, and options by keyword.

    It returns a `Reading` or raises `NotMeasurable`. Where a recipe says `limit: published`, `published` is asked; what
    speaks against the set-up is looked for on `lines`, by what the metric `reads` of them.
    """

    def enter(function: F) -> F:
        entry = LineMetric(name, unit, source, (1, 1), function, reads=reads, bus=bus, symbol=symbol)
        _enter(replace(entry, published=published, lines=lines, levels=levels, follows=follows))
        return function

    return enter


def _enter(entry: Metric) -> None:
    FRAME_METRICS.enter(entry.name, entry, made_in=entry.compute.__module__)


def frame_metrics() -> Mapping[str, Metric]:
    """Every metric of a decoded bus by name: the modules of this package, then what other packages bring."""
    return FRAME_METRICS.everything()


def metrics_of_bus(bus: str) -> Mapping[str, Metric]:
    """Those that a bus has, by name: over its frames, as any bus, and over its own lines; all where it is empty."""
    return {name: each for name, each in frame_metrics().items() if is_of_bus(each, bus)}


def is_of_bus(entry: Metric | None, bus: str) -> bool:
    """Whether there is an entry, and a bus has it: over its frames, as any bus, or over its own lines."""
    return entry is not None and (not (bus and isinstance(entry, LineMetric)) or entry.bus == bus)


def line_metrics(bus: str) -> tuple[LineMetric, ...]:
    """Those over the lines of one bus, in the order in which its modules define them."""
    frame_metrics()
    of_bus = [entry for entry in FRAME_METRICS.entered.values() if isinstance(entry, LineMetric) and entry.bus == bus]
    return tuple(sorted(of_bus, key=lambda entry: entry.compute.__module__))


def find_frame_metric(name: str, *, bus: str = "") -> Metric:
    """The metric of a decoded bus of that name.

    Parameters
    ----------
    bus : whose metric it is to be; empty: not known.

    Raises
    ------
    Misuse : there is none, names the nearest; or it is one over the lines of another bus.
    """
    entry = FRAME_METRICS.get(name)
    if entry is None:
        entry = FRAME_METRICS.find(name, among=metrics_of_bus(bus), what="metric over frames")
    if isinstance(entry, LineMetric) and bus not in ("", entry.bus):
        raise Misuse(
            f"metric `{name}` is over the lines of bus `{entry.bus}`",
            expected=f"a line of bus `{entry.bus}` after `of`, not one of bus `{bus}`",
        )
    return entry


def published_limit(entry: Metric, *, then: str, options: Mapping[str, Any]) -> Interval:
    """What the standard of the bus allows for a metric, in its unit.

    Parameters
    ----------
    then : the layer above the bus, or empty.
    options : of the bus, as a recipe or a caller writes them; `mode` among them.

    Raises
    ------
    Misuse : no standard says anything about it.
    """
    if not isinstance(entry, LineMetric) or entry.published is None:
        known = [name for name, each in frame_metrics().items() if getattr(each, "published", None) is not None]
        raise Misuse(
            f"metric `{entry.name}` has no published limit",
            expected=f"a limit of your own, such as `at most X`; published ones have {', '.join(known)}",
        )
    return entry.published(then, options)


def lines_read(entry: LineMetric, bus: BusRecord, options: Mapping[str, Any]) -> Mapping[str, tuple[float, float]]:
    """The lines that a metric with these options looks at, those that change: by name the levels that it refers to.

    Empty where the levels are to be found from the record, and it has no two states.
    """
    changing = {name for name, line in bus.lines.items() if line is not None and line.times.size}
    found: dict[str, tuple[float, float]] = {}
    for name in entry.lines([name for name, line in bus.lines.items() if line is not None], options):
        try:
            levels = entry.levels(bus, name) if name in changing else None
        except NotMeasurable:
            levels = None
        if levels is not None:
            found[name] = levels
    return found


def check_words(entry: Metric, options: Mapping[str, object], says: Vocabulary | None) -> None:
    """Refuse options of a metric that are in words which the bus never says.

    Parameters
    ----------
    options : as they were read.
    says : of the bus, or of the layer on it; None: not known, and then any error word will do.

    Raises
    ------
    Misuse : an unknown word, or a search that can hold for nothing; names the nearest.
    """
    for parameter in entry.parameters:
        kinds = (parameter.annotation, *typing.get_args(parameter.annotation))
        spoken = next((said for kind in kinds for said in typing.get_args(kind) if isinstance(said, Spoken)), None)
        value = options.get(parameter.argument)
        if spoken is None or not isinstance(value, str):
            continue
        if spoken is Spoken.ERROR:
            (ANY_ERROR if says is None else says).check_error(value)
            continue
        from wavewright.buses.search.search import Search

        search = Search.read(value)
        if says is not None:
            search.check(says)


def measure_decoded(decoded: BusRecord, name: str, **options: object) -> Reading:
    """Measure a decoded bus; where there was nothing to measure, the value is None and `reason` says why.

    Raises
    ------
    Misuse : an unknown metric or option, or a metric over the lines of another bus.
    """
    entry = find_frame_metric(name, bus=decoded.bus.name)
    read = entry.options(options)
    check_words(entry, read, decoded.says)
    try:
        return entry.compute(decoded if isinstance(entry, LineMetric) else decoded.frames, **read)
    except NotMeasurable as nothing:
        reading = _without_value(entry, nothing)
        if isinstance(entry, LineMetric) or len(decoded.frames):
            return reading
        from wavewright.buses.line.silence import why_silent

        return replace(reading, reason=f"{reading.reason}; {why_silent(decoded)}")


def measure_frames(frames: Frames, name: str, **options: object) -> Reading:
    """As `measure_decoded`, where there are frames and no lines.

    Raises
    ------
    Misuse : an unknown metric or option, or a metric that needs the lines.
    """
    entry = find_frame_metric(name)
    if isinstance(entry, LineMetric):
        raise Misuse(f"metric `{name}` of frames", expected=f"the lines of bus `{entry.bus}` that they come from")
    read = entry.options(options)
    check_words(entry, read, frames.says)
    try:
        return entry.compute(frames, **read)
    except NotMeasurable as nothing:
        return _without_value(entry, nothing)


def _without_value(entry: Metric, nothing: NotMeasurable) -> Reading:
    reason = f"{nothing.what}; expected {nothing.expected}" if nothing.expected else nothing.what
    return Reading(value=None, unit=entry.unit, reason=reason)
