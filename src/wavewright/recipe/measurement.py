"""One measurement: a setup, some shots, some readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Self

from pydantic import BaseModel, Field, GetCoreSchemaHandler, GetJsonSchemaHandler, PrivateAttr, model_validator
from pydantic_core import CoreSchema, core_schema

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.parameters import Condition, ReferenceLevel
from wavewright.buses.expectation import Expectation
from wavewright.errors import Place
from wavewright.grammar.located_yaml import YamlMapping, YamlScalar, place_of
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal
from wavewright.grammar.quantity_fields import StatedQuantity, fault_at
from wavewright.grammar.word_fields import Count, Line, LocatedText, Name, Value
from wavewright.judgement.decision_rules import SIMPLE, DecisionRule
from wavewright.judgement.doubting import NO_RULES, DoubtRules
from wavewright.quantities import Interval
from wavewright.recipe.acquisition import Channel, Timebase, Trigger
from wavewright.recipe.comparison import Comparison, ComparisonEntry, read_comparisons
from wavewright.recipe.computation import Computation, ComputationEntry, read_computations
from wavewright.recipe.decoded_line import Decoding
from wavewright.recipe.decoding import DecodingEntry, read_decodings
from wavewright.recipe.density import Persistence
from wavewright.recipe.derived import Derived, DerivedEntry, read_derived
from wavewright.recipe.doubts import ABOUT_DOUBTS, Doubts
from wavewright.recipe.frame_conditions import ExpectationEntry, KeepIf, KeepIfEntry, read_expectations, read_keep_if
from wavewright.recipe.idle_limits import check_limits, check_rare_shots
from wavewright.recipe.judging import ABOUT_JUDGE, JUDGE_EXAMPLES, Judging
from wavewright.recipe.metering import MeterEntry, Metering, Reader, SupplyEntry, read_meterings
from wavewright.recipe.name_checks import NameChecks
from wavewright.recipe.references import check_references
from wavewright.recipe.stimulus import StimulusStep, check_bursts
from wavewright.recipe.xy_plot import XyPlot


@dataclass(frozen=True)
class _Read:
    """Annotation of a block that is read, with the place of each fault, before the model of the measurement is made.

    For the schema it holds named entries of a kind; `beside`, if given, is a model of what is beside them.
    """

    kind: type[BaseModel]
    beside: type[BaseModel] | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.any_schema()

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        entries = handler(self.kind.__pydantic_core_schema__)
        beside = handler.resolve_ref_schema(handler(self.beside.__pydantic_core_schema__)) if self.beside else {}
        return {**beside, "type": "object", "additionalProperties": entries}


Computations = Annotated[Mapping[str, Computation], _Read(ComputationEntry)]
Decodings = Annotated[Mapping[str, Decoding], _Read(DecodingEntry)]
Comparisons = Annotated[Mapping[str, Comparison], _Read(ComparisonEntry)]
Expectations = Annotated[Mapping[str, Expectation], _Read(ExpectationEntry)]
Kept = Annotated[KeepIf, _Read(ExpectationEntry, beside=KeepIfEntry)]
Meterings = Annotated[Mapping[str, Metering], _Read(MeterEntry)]
SupplyReadings = Annotated[Mapping[str, Metering], _Read(SupplyEntry)]
DerivedChannels = Annotated[Mapping[str, Derived], _Read(DerivedEntry)]


class Measurement(GrammarModel):
    """One setup under one condition: what is connected and set, what starts a shot, and what is computed.

    A measurement with `for_each` is there once for every condition, and everything in it has the values of that one.
    """

    meant: ClassVar[Mapping[str, str]] = MappingProxyType(
        {
            **dict.fromkeys(("metrics", "measure", "readings", "results"), "compute"),
            **dict.fromkeys(("probes", "signals", "inputs"), "channels"),
            **dict.fromkeys(("bus", "protocol", "buses"), "decode"),
            **dict.fromkeys(("math", "maths"), "derived"),
            **dict.fromkeys(("loop", "sweep", "foreach"), "for_each"),
            **dict.fromkeys(("horizontal", "time"), "timebase"),
        }
    )
    place: Line | None = Field(
        default=None,
        description="where the probes go; shown to the operator before the measurement",
        examples=["Probe 1 on TP3 with the short ground spring."],
    )
    pictures: tuple[LocatedText, ...] = Field(
        default=(),
        max_length=8,
        description="PNG or JPEG files that show where the probes go, in the folder of the recipe or below; shown with "
        "`place`, and kept with the run",
        examples=[["pictures/probe_on_tp3.png"]],
    )
    channels: dict[Name, Channel] = Field(
        min_length=1,
        description="the signals, by name",
        examples=[{"rail": {"input": 1, "range": "8 V", "offset": "2 V"}}],
    )
    derived: DerivedChannels = Field(
        default_factory=dict,
        description="channels computed from others, by name; a number with a unit gets its tolerance, "
        "`± 0 %` if it is exact, else no uncertainty is complete",
        examples=[{"coil": "(high - low) / (0.1 ohm ± 1 %)"}],
    )
    timebase: Timebase = Field(
        description="how long is recorded, and how densely",
        examples=[{"span": "8 ms", "points": "80k"}, {"cycles": 20}],
    )
    trigger: Trigger = Field(
        default=Trigger(),
        description="what starts a shot; automatic if left out",
        examples=[{"mode": "normal", "on": "reset", "edge": "falling", "level": "1.65 V", "timeout": "5 s"}],
    )
    shots: Count = Field(default=1, description="how many shots are taken")
    stimulus: tuple[StimulusStep, ...] = Field(
        default=(),
        description="what supply and source do, step by step",
        examples=[[{"supply": {"output": "off"}, "then_wait": "200 ms"}, {"supply": {"output": "on"}}]],
    )
    for_each: dict[Name, tuple[Value, ...]] = Field(
        default_factory=dict,
        description="values that `$name` takes, one condition after another",
        examples=[{"duty": ["10 %", "40 %", "90 %"]}],
    )
    compute: Computations = Field(
        default_factory=dict,
        description="the readings, by name",
        examples=[{"ripple": {"metric": "peak_to_peak", "of": "rail", "limit": "at most 40 mV", "over": "max"}}],
    )
    meter: Meterings = Field(
        default_factory=dict,
        description="what the meter reads after every shot, by name",
        examples=[{"rail_mean": {"quantity": "dc_voltage", "limit": "3.3 V ± 2 %"}}],
    )
    supply: SupplyReadings = Field(
        default_factory=dict,
        description="what the supply measures of its own output after every shot, by name",
        examples=[{"drawn": {"quantity": "current", "limit": "at most 300 mA"}}],
    )
    doubts: Doubts = Field(default_factory=dict, description=ABOUT_DOUBTS, examples=[{"clipped": "allow"}])
    judge: Judging | None = Field(default=None, description=ABOUT_JUDGE, examples=JUDGE_EXAMPLES)
    persistence: Persistence | None = Field(
        default=None,
        description="all shots laid over each other and counted",
        examples=[{"of": "drive", "rare": 500, "rare_shots": "exactly 0"}],
    )
    plot: dict[Name, XyPlot] = Field(
        default_factory=dict,
        description="figures of one channel over another in the report, by name",
        examples=[{"characteristic": {"of": "current", "against": "voltage"}}],
    )
    compare: Comparisons = Field(
        default_factory=dict,
        description="waveforms against others, by name",
        examples=[{"loading": {"of": "clock", "with": "clock_before", "delay": "0 s ± 5 ns"}}],
    )
    decode: Decodings = Field(
        default_factory=dict,
        description="lines of a bus to be decoded, by name",
        examples=[{"line": {"bus": "uart", "tx": "tx", "baud": "19200", "parity": "even", "then": "modbus_rtu"}}],
    )
    keep_if: Kept | None = Field(
        default=None,
        description="take shots until one has these frames, and keep that one",
        examples=[{"line": {"holds": "11 03"}, "within": "20 shots"}],
    )
    expect: Expectations = Field(
        default_factory=dict,
        description="what the frames of a decoded line must hold",
        examples=[{"line": {"holds": "11 03"}}],
    )

    @model_validator(mode="after")
    def _can_trigger(self) -> Self:
        level, channel = self.trigger.level, self.channels.get(self.trigger_channel)
        seen = None if channel is None else _seen(channel)
        if seen is not None and isinstance(level, StatedQuantity) and level.value not in seen:
            what = f"`{self.trigger_channel}` cannot cross `level: {level}`, which is outside of its range"
            do = f"put `level` into the range, or change `range` and `offset` of `{self.trigger_channel}`"
            raise refusal(fault_at(level, what, expected=f"a level within {seen}", do=do))
        return self

    _name: str = PrivateAttr(default="")
    _condition: dict[str, str] = PrivateAttr(default_factory=dict)
    _place: Place | None = PrivateAttr(default=None)

    def under(
        self,
        name: YamlScalar | str,
        condition: Mapping[str, str],
        doubts: DoubtRules = NO_RULES,
        judge: DecisionRule | None = None,
    ) -> Self:
        """The same with its name, with what the names of `for_each` stand for, and the recipe's doubts and rule."""
        named = self.model_copy(update={"doubts": {**doubts, **self.doubts}, "judge": self.judge or judge})
        named._name, named._condition, named._place = str(name), dict(condition), place_of(name)
        return named

    @property
    def name(self) -> str:
        """The measurement's name in the recipe."""
        return self._name

    @property
    def stands_at(self) -> Place | str:
        """Where the measurement begins in its file; empty if it does not come from one."""
        return self._place or ""

    @property
    def condition(self) -> Mapping[str, str]:
        """What the names of `for_each` stand for here; empty without `for_each`."""
        return self._condition

    @property
    def label(self) -> str:
        """Name and condition: `coil_drive[duty=10 %]`; no two measurements of a recipe have the same."""
        inside = ", ".join(f"{name}={value}" for name, value in self._condition.items())
        return f"{self._name}[{inside}]" if inside else self._name

    @property
    def trigger_channel(self) -> str:
        """The channel that the trigger watches: the one after `on`, or the first."""
        return self.trigger.on or next(iter(self.channels))

    def rule_of(self, entry: Computation | Metering | Comparison | None = None) -> DecisionRule:
        """The decision rule of an entry: its own, the one of the measurement, that of the recipe, or the simple one."""
        return (entry.judge if entry is not None else None) or self.judge or SIMPLE

    @property
    def meterings(self) -> tuple[Metering, ...]:
        """What instruments other than the digitizer read after every shot."""
        return (*self.meter.values(), *self.supply.values())


def read_measurement(tree: YamlMapping, checks: NameChecks) -> Measurement | None:
    """A measurement from its tree, under one condition; None if it cannot be read. `checks` takes what is wrong."""
    checks.units.update(dict.fromkeys(map(str, tree.mapping_at("channels")), "V"))
    checks.lines = tuple(map(str, tree.mapping_at("decode")))
    read: dict[str, Any] = {
        "derived": read_derived(tree, checks),  # first: the others may refer to what is derived
        "decode": read_decodings(tree, checks),
        "compute": read_computations(tree, checks),
        "meter": read_meterings(tree, checks, Reader.METER),
        "supply": read_meterings(tree, checks, Reader.SUPPLY),
        "compare": read_comparisons(tree, checks),
        "keep_if": read_keep_if(tree, checks),
        "expect": read_expectations(tree, checks),
    }
    check_references(tree, checks)
    check_bursts(tree, checks)
    rest = YamlMapping(tree.place)
    rest.update((key, value) for key, value in tree.items() if key not in read)
    measurement = checks.validated(rest, Measurement)
    if measurement is None:
        return None
    whole = measurement.model_copy(update=read)
    for computation in whole.compute.values():
        _check_levels(computation, whole, checks)
    ranges = {name: _seen(channel) for name, channel in whole.channels.items()}
    seen = {name: shown for name, shown in ranges.items() if shown is not None}
    check_limits(whole.compute.values(), whole.channels, seen, checks)
    if whole.persistence is not None:
        check_rare_shots(whole.persistence, whole.shots, where=tree.value_place("persistence"), checks=checks)
    return whole


def _seen(channel: Channel) -> Interval | None:
    """What the converter can show, V at the probe tip, as the recipe states it; None where the run finds it."""
    if not isinstance(channel.range, StatedQuantity) or channel.offset == "auto":
        return None
    middle = channel.offset.value if isinstance(channel.offset, StatedQuantity) else 0.0
    return Interval(middle - channel.range.value / 2, middle + channel.range.value / 2, "V")


def _check_levels(computation: Computation, measurement: Measurement, checks: NameChecks) -> None:
    """Note the levels that no record can cross: what is counted or timed at them would never be seen."""
    channel = measurement.channels.get(computation.of[0]) if len(computation.of) == 1 else None
    seen = None if channel is None or computation.on_frames else _seen(channel)
    if seen is None or computation.place is None:
        return
    for option, value in METRICS.find(computation.metric).options(computation.options).items():
        level = value.level if isinstance(value, Condition) else value
        if option == "hysteresis" or not isinstance(level, ReferenceLevel) or level.is_ratio or level.number in seen:
            continue
        checks.note_fault(
            f"`{computation.of[0]}` cannot cross `{option}: {computation.options[option]}`, "
            f"which is outside of its range",
            where=computation.place,
            expected=f"a level within {seen}",
            do=f"put `{option}` into the range, or change `range` and `offset` of `{computation.of[0]}`",
        )
