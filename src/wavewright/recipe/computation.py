"""What a measurement computes: a metric, its options, its limit, and how shots are joined."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pydantic import BaseModel, ConfigDict, Field

from wavewright.analysis.catalogue import METRICS, Metric
from wavewright.analysis.parameters import ASCENDING, check_units, read_parameter
from wavewright.buses.frame_metrics import (
    FRAME_METRICS,
    check_words,
    find_frame_metric,
    is_of_bus,
    published_limit,
)
from wavewright.buses.vocabulary import Vocabulary
from wavewright.errors import Misuse, Place
from wavewright.grammar.located_yaml import YamlMapping, YamlScalar, without_places
from wavewright.grammar.model_reading import cut_number
from wavewright.grammar.word_fields import Names, read_names
from wavewright.judgement.decision_rules import DecisionRule
from wavewright.judgement.doubting import DoubtRules
from wavewright.judgement.joining import EACH, find_over
from wavewright.judgement.limits import Limit
from wavewright.nearest import did_you_mean
from wavewright.recipe.doubts import ABOUT_DOUBTS, Doubts, read_doubts
from wavewright.recipe.judging import ABOUT_JUDGE, JUDGE_EXAMPLES, Judging, check_guarded, read_judging
from wavewright.recipe.name_checks import UNKNOWN, NameChecks, one_of


class ComputationEntry(BaseModel):
    """One reading to be computed. Every key that is not one of these is an option of its metric."""

    model_config = ConfigDict(extra="allow", frozen=True, defer_build=True)

    metric: str | None = Field(default=None, description="name of the metric; the entry's own name if left out")
    of: Names | None = Field(
        default=None,
        description="channel, or list of channels; the only channel if left out",
        examples=["rail", ["first", "second"]],
    )
    limit: str | None = Field(
        default=None,
        description="what is acceptable: at most X, at least X, A .. B, X ± Y, X ± P %, exactly N; or published: "
        "what the standard of a decoded bus allows in its mode",
        examples=["at most 40 mV", "1.6 ms .. 3.2 ms", "3.3 V ± 2 %", "exactly 0", "published"],
    )
    doubts: Doubts = Field(default_factory=dict, description=ABOUT_DOUBTS, examples=[{"clipped": "allow"}])
    judge: Judging | None = Field(default=None, description=ABOUT_JUDGE, examples=JUDGE_EXAMPLES)
    over: str | None = Field(default=None, description="how shots are joined: each, mean, max, min, stdev, p99")
    about: str | None = Field(default=None, description="what it is for", examples=["ripple with the coil off"])


Option = str | bool | tuple[object, ...]  # as it is written; lists may hold lists

FORM = "{metric: …, of: …}"
PUBLISHED = "published"  # stands for a limit that the standard of the bus has
FRAMES = "frames"  # stands for the unit of a decoded line
BOUNDS = tuple(name for pair in ASCENDING for name in pair)
KEYS = tuple(ComputationEntry.model_fields)


@dataclass(frozen=True, slots=True)
class Computation:
    """One reading to be computed, checked.

    Parameters
    ----------
    name : of the entry; `measurement.name` names the reading.
    metric : an entry of the catalogue of metrics, or, `on_frames`, of that of metrics of a decoded bus.
    of : channels, as many as the metric takes; or a decoded line.
    unit : of the reading.
    options : of the metric, as they are written; `measure` converts them, and they have been tried.
    judge : the decision rule of this limit; that of the measurement where it has none.
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
    doubts: DoubtRules = field(default_factory=dict)
    judge: DecisionRule | None = None


def read_computations(tree: YamlMapping, checks: NameChecks) -> dict[str, Computation]:
    """The `compute:` block of a measurement."""
    found: dict[str, Computation] = {}
    for name, entry in checks.entries(tree, "compute", form=FORM):
        before = len(checks.faults)
        for key in ("metric", "limit", "over", "about"):
            if key in entry and entry.scalar_at(key) is None:
                checks.note_fault(f"`{key}` of `{name}` is not a word", where=entry.value_place(key), expected="words")
        if len(checks.faults) > before:
            continue
        computation = _read_computation(name, entry, checks)
        if computation is not None and len(checks.faults) == before:
            found[str(name)] = computation
    return found


def _read_computation(name: YamlScalar, entry: YamlMapping, checks: NameChecks) -> Computation | None:
    doubts, rule = _read_doubts(entry, checks), _read_rule(entry, checks)
    units = checks.units | dict.fromkeys(checks.lines, FRAMES)
    of = _read_channels(name, entry, units, checks)
    kinds = {units[channel] for channel in of if channel in units}
    metric: Metric | None = None
    with checks.faults_placed_at(entry.value_place("metric") if "metric" in entry else name.place):
        wanted = _word(entry, "metric") or str(name)
        metric = _find(wanted, on_frames=FRAMES in kinds if kinds else None, bus=_bus_of(of, checks))
    over = _word(entry, "over") or EACH
    with checks.faults_placed_at(entry.value_place("over")):
        find_over(over)
    if metric is None:
        return None
    _check_number(metric, of, entry, checks)
    of_units = [units[channel] for channel in of if channel in units]
    says = next((checks.says(line) for line in of if line in checks.decodings), None)
    options = _read_options(name, entry, metric, checks, units=of_units, says=says)
    first = next(iter(of_units), UNKNOWN)
    unit = UNKNOWN if first == UNKNOWN and metric.follows_channel else metric.unit_of([first])
    limit = None
    if "limit" in entry and unit != UNKNOWN:
        with checks.faults_placed_at(entry.value_place("limit")):
            limit = _read_limit(_word(entry, "limit"), metric, of, checks, unit=unit)
    if rule is not None:
        with checks.faults_placed_at(entry.value_place("judge")):
            check_guarded(rule, limit, unit=unit)
    about, on_frames = _word(entry, "about"), FRAMES in kinds
    return Computation(
        str(name), metric.name, of, unit, limit, over, about, options, on_frames, name.place, doubts, rule
    )


def _read_doubts(entry: YamlMapping, checks: NameChecks) -> DoubtRules:
    if "doubts" not in entry:
        return {}
    rules, faults = read_doubts(entry["doubts"])
    for fault in faults:
        place = fault.where if isinstance(fault.where, Place) else entry.value_place("doubts")
        checks.note_fault(fault.what, where=place, expected=fault.expected, do=fault.do)
    return rules


def _read_rule(entry: YamlMapping, checks: NameChecks) -> DecisionRule | None:
    if "judge" not in entry:
        return None
    rule, faults = read_judging(entry["judge"])
    for fault in faults:
        place = fault.where if isinstance(fault.where, Place) else entry.value_place("judge")
        checks.note_fault(fault.what, where=place, expected=fault.expected, do=fault.do)
    return rule


def _read_limit(words: str, metric: Metric, of: tuple[str, ...], checks: NameChecks, *, unit: str) -> Limit | None:
    """A limit in words of the recipe's own, or the published one for a line of a bus; None if that is not known.

    Raises
    ------
    Misuse : it is none, or nothing is published.
    """
    if words.strip() != PUBLISHED:
        return Limit.read(words, unit=unit)
    decoding = checks.decodings.get(of[0]) if of else None
    if decoding is None and set(of) & set(checks.lines):
        return None  # what is wrong with the decoding has been said
    if decoding is None:
        raise Misuse(f"metric `{metric.name}` of a channel has no published limit", expected="a limit in words")
    interval = published_limit(metric, then=decoding.then, options=decoding.options)
    return Limit(interval, str(interval))


def _bus_of(of: tuple[str, ...], checks: NameChecks) -> str:
    return next((checks.decodings[line].bus for line in of if line in checks.decodings), "")


def _find(name: str, *, on_frames: bool | None, bus: str = "") -> Metric:
    """The metric of that name, over waveforms or of a decoded bus; either if it is not known what it is of.

    Raises
    ------
    Misuse : there is none; says so if it belongs to the other catalogue, or to another bus.
    """
    if on_frames:
        if not is_of_bus(FRAME_METRICS.get(name), bus) and METRICS.get(name) is not None:
            raise Misuse(f"metric `{name}` is over waveforms", expected="a channel after `of`, not a decoded line")
        return find_frame_metric(name, bus=bus)
    entry = METRICS.get(name)
    if entry is None and FRAME_METRICS.get(name) is not None:  # in this order: most recipes need no bus to be imported
        if on_frames is None:
            return find_frame_metric(name)
        raise Misuse(f"metric `{name}` is over frames", expected="a decoded line after `of`")
    return METRICS.find(name) if entry is None else entry


def _read_channels(
    name: YamlScalar, entry: YamlMapping, units: Mapping[str, str], checks: NameChecks
) -> tuple[str, ...]:
    """The channels, or the decoded line, after `of:`; where there is only one, it need not be named."""
    if "of" not in entry:
        if len(units) == 1:
            return tuple(units)
        checks.note_fault("no channel is given after `of`", where=name.place, expected=one_of(units))
        return ()
    where = entry.value_place("of")
    checks.check_names(entry["of"], units, where=where)
    with checks.faults_placed_at(where):
        return read_names(entry["of"])
    return ()


def _check_number(metric: Metric, of: tuple[str, ...], entry: YamlMapping, checks: NameChecks) -> None:
    fewest, most = metric.channels
    if of and not fewest <= len(of) <= most:
        number = str(fewest) if fewest == most else f"{fewest} to {most}"
        checks.note_fault(
            f"metric `{metric.name}` of {len(of)} channel{'s' if len(of) > 1 else ''}",
            where=entry.value_place("of"),
            expected=f"{number} channel{'s' if most > 1 else ''}",
            do="write `of: [first, second]`" if fewest == 2 and len(of) == 1 else "",
        )


def _read_options(
    name: YamlScalar,
    entry: YamlMapping,
    metric: Metric,
    checks: NameChecks,
    *,
    units: Sequence[str],
    says: Vocabulary | None,
) -> dict[str, Option]:
    """Every other key: each is tried by itself, so that each has its place; then what is missing is named.

    Parameters
    ----------
    units : of the channels, as far as they are known.
    says : what the frames of a decoded line can say.
    """
    given: dict[str, Option] = {}
    before = len(checks.faults)
    known = {parameter.name: parameter.annotation for parameter in metric.parameters}
    for key, value in entry.items():
        if key in KEYS:
            continue
        if key not in known:
            checks.note_fault(
                f"unknown key `{key}`: no option of metric `{metric.name}`",
                where=entry.key_place(key),
                expected=f"one of {', '.join([*KEYS, *known])}",
                do=cut_number(key) or did_you_mean(key, [*known, *KEYS]),
            )
        elif value is None or isinstance(value, YamlMapping):
            what = f"`{key}` has no value" if value is None else f"`{key}` holds keys"
            checks.note_fault(what, where=entry.value_place(key), expected="a value, or a list of values")
        else:
            given[str(key)] = without_places(value)
            value_place = value.inside if isinstance(value, YamlScalar) and says is not None else entry.value_place(key)
            with checks.faults_placed_at(value_place):
                read = read_parameter(given[str(key)], known[key], name=key)
                if UNKNOWN not in units and FRAMES not in units and units:
                    check_units({str(key): read}, units)
                if says is not None:
                    check_words(metric, {str(key): read}, says)
    missing = [p.name for p in metric.parameters if p.is_required and p.name not in entry]
    if missing:
        words = " and ".join(f"`{option}`" for option in missing)
        checks.note_fault(
            f"metric `{metric.name}` needs {words}", where=name.place, expected=f"{words} beside `metric`"
        )
    if len(checks.faults) == before:  # each by itself makes sense: now all of them together
        with checks.faults_placed_at(next((entry.value_place(key) for key in given if key in BOUNDS), name.place)):
            metric.options(given)
    return given


def _word(entry: YamlMapping, key: str) -> str:
    return str(entry.scalar_at(key) or "")
