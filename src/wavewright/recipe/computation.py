"""What a measurement computes: a metric, its options, its limit, and how shots are joined."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches

from pydantic import BaseModel, ConfigDict, Field

from wavewright.analysis.catalogue import Metric, find_metric, metrics
from wavewright.analysis.parameters import read_parameter
from wavewright.buses.frame_metrics import find_frame_metric, frame_metrics
from wavewright.errors import FileFault, Misuse, Place
from wavewright.judgement.joining import EACH, find_over
from wavewright.judgement.limits import Limit
from wavewright.recipe.derived import UNKNOWN
from wavewright.recipe.fields import Names, read_names
from wavewright.recipe.noting import named_entries, one_of, placed, unknown_names
from wavewright.recipe.places import Block, Word, unplaced


class ComputationEntry(BaseModel):
    """One reading to be computed. Every key that is not one of these is an option of its metric."""

    model_config = ConfigDict(extra="allow", frozen=True)

    metric: str | None = Field(default=None, description="name of the metric; the entry's own name if left out")
    of: Names | None = Field(default=None, description="channel, or list of channels; the only channel if left out")
    limit: str | None = Field(
        default=None, description="what is acceptable: at most X, at least X, A .. B, X ± Y, X ± P %, exactly N"
    )
    over: str | None = Field(default=None, description="how shots are joined: each, mean, max, min, stdev, p99")
    about: str | None = Field(default=None, description="what it is for")


Option = str | bool | tuple[object, ...]  # as it is written; lists may hold lists

FORM = "{metric: …, of: …}"
FRAMES = "frames"  # stands for the unit of a decoded line
KEYS = tuple(ComputationEntry.model_fields)


@dataclass(frozen=True, slots=True)
class Computation:
    """One reading to be computed, checked.

    Parameters
    ----------
    name : of the entry; `measurement.name` names the reading.
    metric : an entry of the catalogue of metrics, or, `on_frames`, of that of metrics over frames.
    of : channels, as many as the metric takes; or a decoded line.
    unit : of the reading.
    options : of the metric, as they are written; `measure` converts them, and they have been tried.
    """

    name: str
    metric: str
    of: tuple[str, ...]
    unit: str
    limit: Limit | None = None
    over: str = EACH
    about: str = ""
    options: Mapping[str, Option] = field(default_factory=dict)
    on_frames: bool = False
    place: Place | None = field(default=None, compare=False)


def read_computations(
    tree: Block, units: Mapping[str, str], faults: list[FileFault], *, owner: str, lines: Iterable[str] = ()
) -> dict[str, Computation]:
    """The `compute:` block of a measurement.

    Parameters
    ----------
    units : unit of every channel, by name.
    faults : takes what is wrong.
    owner : name of the measurement, for messages.
    lines : names of the decoded lines.
    """
    known = dict(units) | dict.fromkeys(lines, FRAMES)
    found: dict[str, Computation] = {}
    for name, entry in named_entries(tree, "compute", faults, owner=owner, form=FORM):
        before = len(faults)
        for key in ("metric", "limit", "over", "about"):
            if key in entry and not isinstance(entry[key], Word):
                what = f"`{key}` of `{name}` is no word"
                faults.append(FileFault(what, where=entry.value_place(key), expected="words"))
        if len(faults) > before:
            continue
        computation = _read_computation(name, entry, known, faults)
        if computation is not None and len(faults) == before:
            found[str(name)] = computation
    return found


def _read_computation(
    name: Word, entry: Block, units: Mapping[str, str], faults: list[FileFault]
) -> Computation | None:
    place = name.place
    of_what = units.get(_word(entry, "of"), "")
    metric: Metric | None = None
    with placed(faults, entry.value_place("metric") if "metric" in entry else place):
        metric = _find(_word(entry, "metric") or str(name), of_what)
    of = _read_channels(entry, units, metric, faults, place)
    over = _word(entry, "over") or EACH
    with placed(faults, entry.value_place("over")):
        find_over(over)
    if metric is None:
        return None
    options = _read_options(entry, metric, faults, place)
    unit = metric.unit or next((units[channel] for channel in of if channel in units), UNKNOWN)
    limit = None
    if "limit" in entry and unit != UNKNOWN:
        with placed(faults, entry.value_place("limit")):
            limit = Limit.read(_word(entry, "limit"), unit=unit)
    return Computation(
        str(name), metric.name, of, unit, limit, over, _word(entry, "about"), options, of_what == FRAMES, place
    )


def _find(name: str, of_what: str) -> Metric:
    """The metric of that name, over waveforms or over frames; over either if it is not known what it is of.

    Raises
    ------
    Misuse : there is none; says so if it belongs to the other catalogue.
    """
    if of_what == FRAMES:
        if name in metrics() and name not in frame_metrics():
            raise Misuse(f"metric `{name}` is over waveforms", expected="a channel after `of`, not a decoded line")
        return find_frame_metric(name)
    if name not in metrics() and name in frame_metrics():  # in this order: most recipes need no bus to be imported
        if not of_what:
            return find_frame_metric(name)
        raise Misuse(f"metric `{name}` is over frames", expected="a decoded line after `of`")
    return find_metric(name)


def _read_channels(
    entry: Block, units: Mapping[str, str], metric: Metric | None, faults: list[FileFault], place: Place
) -> tuple[str, ...]:
    """The channels after `of:`, each known, and as many as the metric takes."""
    if "of" not in entry:
        if len(units) == 1:
            return tuple(units)
        faults.append(FileFault("no channel is named after `of`", where=place, expected=one_of(units)))
        return ()
    where = entry.value_place("of")
    of: tuple[str, ...] = ()
    with placed(faults, where):
        of = read_names(entry["of"])
    faults.extend(unknown_names(entry["of"], units, where=where))
    fewest, most = metric.channels if metric else (1, len(of))
    if metric and of and not fewest <= len(of) <= most:
        number = str(fewest) if fewest == most else f"{fewest} to {most}"
        what = f"metric `{metric.name}` of {len(of)} channel{'s' if len(of) > 1 else ''}"
        do = "write `of: [first, second]`" if fewest == 2 and len(of) == 1 else ""
        faults.append(FileFault(what, where=where, expected=f"{number} channel{'s' if most > 1 else ''}", do=do))
    return of


def _read_options(entry: Block, metric: Metric, faults: list[FileFault], place: Place) -> dict[str, Option]:
    """Every other key: each is tried by itself, so that each has its place, then all together for what is missing."""
    given: dict[str, Option] = {}
    known = {parameter.name: parameter.annotation for parameter in metric.parameters}
    for key, value in entry.items():
        if key in KEYS:
            continue
        if key not in known:
            near = get_close_matches(key, [*known, *KEYS], 1)
            what = f"unknown key `{key}`: no option of metric `{metric.name}`"
            do = f"did you mean `{near[0]}`?" if near else ""
            expected = f"one of {', '.join([*KEYS, *known])}"
            faults.append(FileFault(what, where=entry.key_place(key), expected=expected, do=do))
        elif value is None or isinstance(value, Block):
            what = f"`{key}` has no value" if value is None else f"`{key}` holds keys"
            faults.append(FileFault(what, where=entry.value_place(key), expected="a value, or a list of values"))
        else:
            given[str(key)] = unplaced(value)
            with placed(faults, entry.value_place(key)):
                read_parameter(given[str(key)], known[key], name=key)
    required = [parameter.name for parameter in metric.parameters if parameter.is_required]
    if missing := [name for name in required if name not in entry]:
        words = " and ".join(f"`{name}`" for name in missing)
        faults.append(
            FileFault(f"metric `{metric.name}` needs {words}", where=place, expected=f"{words} beside `metric`")
        )
    return given


def _word(entry: Block, key: str) -> str:
    value = entry.get(key)
    return str(value) if isinstance(value, Word) else ""
