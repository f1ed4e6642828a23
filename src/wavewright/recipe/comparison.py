"""`compare:`: a waveform against a stored one, or against another measurement of the same run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from pydantic import Field

from wavewright.analysis.catalogue import METRICS
from wavewright.errors import Misuse, Place
from wavewright.grammar.located_yaml import YamlMapping, YamlScalar
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.quantity_fields import Capacitance, Resistance, StatedQuantity
from wavewright.grammar.word_fields import Line, Name, Names
from wavewright.judgement.decision_rules import DecisionRule
from wavewright.judgement.limits import Limit
from wavewright.nearest import did_you_mean
from wavewright.recipe.judging import ABOUT_JUDGE, JUDGE_EXAMPLES, Judging
from wavewright.recipe.name_checks import UNKNOWN, NameChecks, one_of

FORM = "{of: channel, with: measurement or file, …}"
# What a comparison finds -> its unit; "" is that of the channel.
FOUND = {"rms": "", "largest": "", "delay": "s", "gain": "1", "offset": ""}


class Alignment(StrEnum):
    """How two waveforms are brought onto one time axis."""

    TRIGGER = "trigger"
    CORRELATION = "correlation"


class CrystalEntry(GrammarModel):
    """The crystal of the oscillator whose pin is touched: series-resonance model."""

    motional_capacitance: Capacitance = Field(description="C1: 15 fF, say")
    shunt_capacitance: Capacitance = Field(description="C0: 4 pF, say")
    load_capacitance: Capacitance = Field(description="that of the circuit, without a probe: 18 pF, say")


class ComparisonEntry(GrammarModel):
    """One waveform against another: limits on what differs."""

    of: Name | None = Field(default=None, description="the channel; the only one if left out", examples=["clock"])
    with_: Line = Field(
        alias="with",
        description="a measurement above this one (clock_before, or clock_before.clock), or a file",
        examples=["clock_before", "clock_before.clock", "reference.npz"],
    )
    align: Alignment = Field(default=Alignment.TRIGGER, description="trigger or correlation")
    rms: Line | None = Field(default=None, description="limit on the rms difference", examples=["at most 20 mV"])
    largest: Line | None = Field(
        default=None, description="limit on the largest difference", examples=["at most 100 mV"]
    )
    delay: Line | None = Field(
        default=None, description="limit on the delay against the other", examples=["0 s ± 5 ns"]
    )
    gain: Line | None = Field(
        default=None, description="limit on the ratio of amplitudes, in %", examples=["100 % ± 2 pp"]
    )
    offset: Line | None = Field(
        default=None, description="limit on the difference of the means", examples=["0 V ± 20 mV"]
    )
    judge: Judging | None = Field(default=None, description=ABOUT_JUDGE, examples=JUDGE_EXAMPLES)
    metrics: Names | None = Field(
        default=None, description="metrics to be compared as well", examples=[["frequency", "amplitude"]]
    )
    source_impedance: Resistance | None = Field(
        default=None, description="impedance of the point touched, to compute the loading that is to be expected"
    )
    crystal: CrystalEntry | None = Field(
        default=None,
        description="the crystal, if an oscillator is touched, to compute the shift that is to be expected",
        examples=[{"motional_capacitance": "15 fF", "shunt_capacitance": "4 pF", "load_capacitance": "18 pF"}],
    )
    about: Line | None = Field(
        default=None, description="what it is for", examples=["what the probe does to the oscillator"]
    )


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
    judge : the decision rule of these limits; that of the measurement where it has none.
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
    source_impedance: StatedQuantity | None = None
    crystal: CrystalEntry | None = None
    about: str = ""
    place: Place | None = field(default=None, compare=False)
    judge: DecisionRule | None = None


def read_comparisons(tree: YamlMapping, checks: NameChecks) -> dict[str, Comparison]:
    """The `compare:` block of a measurement."""
    found: dict[str, Comparison] = {}
    for name, block in checks.entries(tree, "compare", form=FORM):
        before = len(checks.faults)
        entry = checks.validated(block, ComparisonEntry, "compare", str(name))
        if entry is None:
            continue
        comparison = _read(name, block, entry, checks)
        if len(checks.faults) == before:
            found[str(name)] = comparison
    return found


def _read(name: YamlScalar, block: YamlMapping, entry: ComparisonEntry, checks: NameChecks) -> Comparison:
    of = entry.of or next(iter(checks.units), "")
    if entry.of is None and len(checks.units) != 1:
        checks.note_fault("no channel is given after `of`", where=name.place, expected=one_of(checks.units))
    checks.check_names(block.scalar_at("of"), checks.units, where=name.place)
    _check_metrics(block, checks)
    measurement, file, channel = _other(block, of, checks)
    return Comparison(
        name=str(name),
        of=of,
        measurement=measurement,
        file=file,
        channel=channel,
        align=entry.align,
        limits=_limits(block, checks.units.get(of, UNKNOWN), checks),
        metrics=entry.metrics or (),
        source_impedance=entry.source_impedance,
        crystal=entry.crystal,
        about=entry.about or "",
        place=name.place,
        judge=entry.judge,
    )


def _limits(block: YamlMapping, unit: str, checks: NameChecks) -> dict[str, Limit]:
    """The limits on what a comparison finds; `unit` is that of the channel."""
    found: dict[str, Limit] = {}
    for key, own in FOUND.items():
        text = block.scalar_at(key)
        if text is not None and (own or unit) != UNKNOWN:
            with checks.faults_placed_at(text.place):
                found[key] = Limit.read(text, unit=own or unit)
    return found


def _check_metrics(block: YamlMapping, checks: NameChecks) -> None:
    for word in block.list_at("metrics") or [block.scalar_at("metrics")]:
        if isinstance(word, YamlScalar):
            with checks.faults_placed_at(word.place):
                if METRICS.find(word).channels[0] != 1:
                    raise Misuse(f"metric `{word}` is between channels", expected="a metric of one channel")


def _other(block: YamlMapping, of: str, checks: NameChecks) -> tuple[str, str, str]:
    """Measurement, file and channel that `with:` names; one of the first two is empty."""
    text, where = str(block.scalar_at("with")), block.value_place("with")
    name, _, channel = text.partition(".")
    if name in checks.earlier:
        channel = channel or of
        if channel not in checks.earlier[name]:
            what = f"measurement `{name}` has no channel `{channel}`"
            checks.note_fault(what, where=where, expected=one_of(checks.earlier[name]))
        return name, "", channel
    if name == checks.owner:
        checks.note_fault("a comparison with itself", where=where, expected="a measurement above this one, or a file")
    elif "." not in text and "/" not in text:
        above = f"one of {', '.join(checks.earlier)}" if checks.earlier else "a measurement above this one"
        do = did_you_mean(text, checks.earlier)
        checks.note_fault(f"there is no measurement `{text}` above", where=where, expected=f"{above}, or a file", do=do)
    return "", text, of
