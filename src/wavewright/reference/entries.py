"""Topics of the catalogues: metrics, buses and layers, functions of expressions, doubts, rules of fitness."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from wavewright.analysis.catalogue import Metric, Parameter, metrics
from wavewright.analysis.doubts import doubts
from wavewright.analysis.expressions.functions import Function, expression_functions
from wavewright.buses.catalogue import Bus, Layer, buses, layers
from wavewright.buses.frame import ERRORS
from wavewright.buses.frame_metrics import LineMetric, frame_metrics, metrics_of_bus
from wavewright.reference.docstring import escaped, items, page, sections, table
from wavewright.reference.option_text import default_text, written_as
from wavewright.reference.topic import Group, Topic
from wavewright.running.fitness.rules import FitnessRule

if TYPE_CHECKING:
    from wavewright.analysis.doubts import Doubt

UNITS = {"": "that of the channel", "1": "a ratio", "count": "a count", "number": "a number"}
RENAMED = {"Raises": "No number when", "Returns": "Result"}
WITH_TABLE = ("Parameters",)  # its texts are in the table of options


def metric_topic(metric: Metric) -> Topic:
    """A metric: definition, drawing, formula, options, source, and how a recipe computes it."""
    told = page(metric.compute, names=RENAMED, leave_out=WITH_TABLE).replace("NotMeasurable : ", "")
    facts = f"Unit: {unit(metric)}. {channels(metric)}"
    text = "\n\n".join([told.replace("- `NotMeasurable`: ", "- "), facts, *_options(metric), _source(metric.source)])
    return Topic(Group.FRAME_METRIC if is_of_frames(metric) else Group.METRIC, metric.name, metric.definition, text)


def bus_topic(one: Bus | Layer) -> Topic:
    """A bus or layer: its lines, what its frames say, options, metrics, source."""
    told = [page(one.decode, names=RENAMED, leave_out=WITH_TABLE), f"{_stands_on(one)}.", *_options(one)]
    if one.says is not None:
        told += ["## Error words of its frames", table(("word", "means"), _error_words(one.says.errors))]
    rows = [(f"`{metric.name}`", unit(metric), escaped(metric.definition)) for metric in metrics_of(one)]
    told += ["## Metrics", table(("metric", "unit", "definition"), rows), _source(one.source)]
    return Topic(Group.LAYER if isinstance(one, Layer) else Group.BUS, one.name, one.definition, "\n\n".join(told))


def metrics_of(one: Bus | Layer) -> list[Metric]:
    """What `compute:` can find of it: of any frames, and of the lines of this bus or of that below this layer."""
    names: tuple[str, ...] = one.on if isinstance(one, Layer) else (one.name,)
    found = {name: metric for bus in names for name, metric in metrics_of_bus(bus).items()}
    return [found[name] for name in sorted(found)]


def lines_of(one: Bus | Layer) -> str:
    """The sets of lines; for a layer the buses that it works on."""
    if isinstance(one, Layer):
        return f"on {', '.join(one.on)}"
    sets = [" ".join(names) for names in one.channels]
    return " | ".join(dict.fromkeys([*sets, *([" ".join(one.differential)] if one.differential else [])]))


def unit(metric: Metric) -> str:
    """Its unit in words."""
    return UNITS.get(metric.unit, metric.unit)


def channels(metric: Metric) -> str:
    """How many channels it takes, as a sentence."""
    if isinstance(metric, LineMetric):
        return f"Of a decoded {metric.bus} line."
    if is_of_frames(metric):
        return "Of a decoded line."
    fewest, most = metric.channels
    if fewest == most:
        return "Of one channel." if most == 1 else f"Of {most} channels, in this order."
    return f"Of {fewest} to {most} channels."


def topics() -> Iterator[Topic]:
    """All of them."""
    for metric in [*metrics().values(), *frame_metrics().values()]:
        yield metric_topic(metric)
    both: list[Bus | Layer] = [*buses().values(), *layers().values()]
    for one in both:
        yield bus_topic(one)
    for function in expression_functions().values():
        yield function_topic(function)
    for doubt in doubts().values():
        yield doubt_topic(doubt)
    for rule in FitnessRule:
        yield rule_topic(rule)


def function_topic(function: Function) -> Topic:
    """A function of the expressions in `derived:`."""
    rows = [
        (
            f"`{taken.name}`",
            "a channel or a number" if taken.is_channel else "a constant",
            {"any": "any", "same": "the same as the first"}.get(taken.unit, taken.unit),
            "required" if taken.default is None else f"{taken.default:g}",
        )
        for taken in function.takes
    ]
    told = [
        f"`{function.signature}`",
        page(function.build, names=RENAMED),
        table(("argument", "is", "unit", "default"), rows),
    ]
    if function.repeats:
        told.append("The last argument can be repeated.")
    return Topic(Group.FUNCTION, function.name, function.definition, "\n\n".join(told))


def doubt_topic(doubt: Doubt) -> Topic:
    """A doubt: when it is raised, what it means, the remedy."""
    parts = ", ".join(str(part).replace("_", " ") for part in doubt.parts)
    affected = "every reading" if parts == "anything" else f"readings of: {parts}"
    told = (("Raised when", doubt.threshold), ("Means", doubt.meaning), ("Remedy", doubt.cure), ("Affects", affected))
    text = "\n".join(f"- **{word}**: {escaped(entry)}" for word, entry in told)
    allow = f"\n\nA recipe lets it pass, and every report says so:\n\n```yaml\ndoubts: {{{doubt.value}: allow}}\n```"
    return Topic(Group.DOUBT, doubt.value, doubt.meaning, text + allow)


def rule_topic(rule: FitnessRule) -> Topic:
    """A rule of fitness: what it asks of a set-up, where it comes from, what mends it."""
    told = (("Asks", rule.asks), ("Source", rule.source), ("Remedy", rule.cure))
    text = "\n".join(f"- **{word}**: {escaped(entry)}" for word, entry in told)
    required = "\n\nA run starts all the same, unless the recipe says at its head:\n\n```yaml\nfitness: required\n```"
    return Topic(Group.RULE, rule.value, rule.asks, text + required)


def is_of_frames(metric: Metric) -> bool:
    """Whether it is one of decoded lines; some have the name of one of waveforms."""
    return frame_metrics().get(metric.name) is metric


def _options(one: Metric | Bus | Layer) -> list[str]:
    if not one.parameters:
        return []
    decode = one.compute if isinstance(one, Metric) else one.decode
    said = items(sections(decode).get("Parameters", ""))
    rows = [
        (
            f"`{entry.name}`",
            escaped(written_as(entry.annotation)),
            _default(entry),
            escaped(said.get(entry.argument or entry.name, "")),
        )
        for entry in one.parameters
    ]
    return ["## Options", _without_empty(("option", "written as", "default", "meaning"), rows)]


def _without_empty(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    kept = [number for number, _ in enumerate(headings) if any(row[number] for row in rows)]
    return table([headings[number] for number in kept], [[row[number] for number in kept] for row in rows])


def _error_words(words: Sequence[str]) -> list[tuple[str, str]]:
    return [(f"`{word}`", escaped(ERRORS[word])) for word in words]


def _default(parameter: Parameter) -> str:
    return "required" if parameter.is_required else default_text(parameter.default)


def _stands_on(one: Bus | Layer) -> str:
    return f"A layer {lines_of(one)}" if isinstance(one, Layer) else f"Lines: `{lines_of(one)}`"


def _source(source: str) -> str:
    note = "\n\n† not checked against the text of the standard" if "†" in source else ""
    return f"Source: {escaped(source)}{note}"
