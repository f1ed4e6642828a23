"""`compare:`: a waveform against a stored one, or against another measurement of the same run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import StrEnum

from pydantic import Field

from wavewright.analysis.catalogue import find_metric
from wavewright.errors import FileFault, Place
from wavewright.judgement.limits import Limit
from wavewright.recipe.acquisition import Entry
from wavewright.recipe.derived import UNKNOWN
from wavewright.recipe.fields import Line, Name, Names, Resistance, Stated
from wavewright.recipe.model_reading import validated
from wavewright.recipe.noting import named_entries, one_of, placed, unknown_names
from wavewright.recipe.places import Block, Row, Word

FORM = "{of: channel, with: measurement or file, …}"
# What a comparison finds -> its unit; "" is that of the channel.
FOUND = {"rms": "", "largest": "", "delay": "s", "gain": "1", "offset": ""}


class Alignment(StrEnum):
    """How two waveforms are brought onto one time axis."""

    TRIGGER = "trigger"
    CORRELATION = "correlation"


class ComparisonEntry(Entry):
    """One waveform against another: limits on what differs."""

    of: Name | None = Field(default=None, description="the channel; the only one if left out")
    with_: Line = Field(
        alias="with", description="a measurement above this one (clock_before, or clock_before.clock), or a file"
    )
    align: Alignment = Field(default=Alignment.TRIGGER, description="trigger or correlation")
    rms: Line | None = Field(default=None, description="limit on the rms difference")
    largest: Line | None = Field(default=None, description="limit on the largest difference")
    delay: Line | None = Field(default=None, description="limit on the delay against the other")
    gain: Line | None = Field(default=None, description="limit on the ratio of amplitudes, in %")
    offset: Line | None = Field(default=None, description="limit on the difference of the means")
    metrics: Names | None = Field(default=None, description="metrics to be compared as well")
    source_impedance: Resistance | None = Field(
        default=None, description="impedance of the point touched, to compute the loading that is to be expected"
    )
    about: Line | None = Field(default=None, description="what it is for")


@dataclass(frozen=True, slots=True)
class Comparison:
    """One comparison, checked.

    Parameters
    ----------
    of : the channel of this measurement.
    measurement : name of the other measurement, or empty if it is against a file.
    file : the stored waveform, as written; relative to the recipe's folder.
    channel : the other waveform's name.
    limits : by what is found: `rms`, `largest`, `delay`, `gain`, `offset`.
    metrics : taken of both and set side by side.
    """

    name: str
    of: str
    measurement: str
    file: str
    channel: str
    align: Alignment = Alignment.TRIGGER
    limits: Mapping[str, Limit] = field(default_factory=dict)
    metrics: tuple[str, ...] = ()
    source_impedance: Stated | None = None
    about: str = ""
    place: Place | None = field(default=None, compare=False)


def read_comparisons(
    tree: Block,
    units: Mapping[str, str],
    faults: list[FileFault],
    *,
    owner: str,
    earlier: Mapping[str, Mapping[str, str]],
) -> dict[str, Comparison]:
    """The `compare:` block of a measurement.

    Parameters
    ----------
    units : unit of every channel of this measurement, by name.
    earlier : the same of every measurement above it, by name of the measurement.
    """
    found: dict[str, Comparison] = {}
    for name, block in named_entries(tree, "compare", faults, owner=owner, form=FORM):
        before = len(faults)
        try:
            entry = validated(block, ComparisonEntry, owner=f"measurements.{owner}.compare.{name}")
        except FileFault as fault:
            faults.extend(fault.faults)
            continue
        of = entry.of or next(iter(units), "")
        if entry.of is None and len(units) != 1:
            faults.append(FileFault("no channel is named after `of`", where=name.place, expected=one_of(units)))
        faults.extend(unknown_names(block.word("of"), units, where=name.place))
        limits: dict[str, Limit] = {}
        for key, unit in FOUND.items():
            text = getattr(entry, key)
            if text is not None and (unit or units.get(of)) != UNKNOWN:
                with placed(faults, block.value_place(key)):
                    limits[key] = Limit.read(text, unit=unit or units.get(of, "V"))
        faults.extend(_metric_faults(block))
        measurement, file, channel = _other(block, of, owner, earlier, faults)
        if len(faults) == before:
            found[str(name)] = Comparison(
                name=str(name),
                of=of,
                measurement=measurement,
                file=file,
                channel=channel,
                align=entry.align,
                limits=limits,
                metrics=entry.metrics or (),
                source_impedance=entry.source_impedance,
                about=entry.about or "",
                place=name.place,
            )
    return found


def _metric_faults(block: Block) -> Iterator[FileFault]:
    node = block.get("metrics")
    for word in node if isinstance(node, Row) else [node]:
        if isinstance(word, Word):
            faults: list[FileFault] = []
            with placed(faults, word.place):
                metric = find_metric(word)
                if metric.channels[0] != 1:
                    expected = "a metric of one channel"
                    faults.append(
                        FileFault(f"metric `{word}` is between channels", where=word.place, expected=expected)
                    )
            yield from faults


def _other(
    block: Block, of: str, owner: str, earlier: Mapping[str, Mapping[str, str]], faults: list[FileFault]
) -> tuple[str, str, str]:
    """Measurement, file and channel that `with:` names; one of the first two is empty."""
    text, where = str(block.word("with")), block.value_place("with")
    name, _, channel = text.partition(".")
    if name not in earlier:
        if name == owner:
            faults.append(
                FileFault("a comparison with itself", where=where, expected="a measurement above this one, or a file")
            )
        elif "." not in text and "/" not in text:
            near = get_close_matches(text, earlier, 1)
            expected = (
                f"one of {', '.join(earlier)}, or a file" if earlier else "a measurement above this one, or a file"
            )
            do = f"did you mean `{near[0]}`?" if near else ""
            faults.append(FileFault(f"there is no measurement `{text}` above", where=where, expected=expected, do=do))
        return "", text, of
    channel = channel or of
    if channel not in earlier[name]:
        what = f"measurement `{name}` has no channel `{channel}`"
        faults.append(FileFault(what, where=where, expected=one_of(earlier[name])))
    return name, "", channel
