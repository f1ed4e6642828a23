"""The grammar of a profile file: which keys there are, what each takes, what is left out means.

Every part of it may be inherited by `extends:` and overridden key by key, so nothing is required here; `profile` checks
that the whole is complete for its role.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, field_validator

from wavewright.buses.search import patterns
from wavewright.earlier_spellings import QUIRKS, names_of_today
from wavewright.errors import Misuse
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal, refusing
from wavewright.grammar.quantity_fields import Amperes, Hertz, Number, Ohms, Seconds, Volts
from wavewright.grammar.word_fields import PatternOrNone, VersionOne
from wavewright.instruments.error_queue import ENTRY_PATTERN
from wavewright.instruments.record_grammar import Acquire, WaveformGrammar
from wavewright.instruments.setting import Conversion, Messages, Setting
from wavewright.instruments.stated_accuracy import StatedAccuracy
from wavewright.instruments.vocabulary import Role, known_settings
from wavewright.nearest import did_you_mean


class ErrorQueueQuery(GrammarModel):
    """The error queue of an instrument."""

    ask: str = Field(
        default="SYSTem:ERRor?",
        description="query for the oldest entry; empty: there is no error queue",
        examples=["SYSTem:ERRor?"],
    )
    pattern: PatternOrNone = Field(
        default=ENTRY_PATTERN,
        description="regular expression for an entry, with a group `code`, and `text` if it has one",
        examples=["(?P<code>-?\\d+),(?P<text>.*)"],
    )
    none: int = Field(default=0, description="code of the entry that says that there is none", examples=[0])
    sign: str = Field(
        default="",
        description="query whose answer shows whether the queue holds anything, asked after each record in its place; "
        "that of `restarted` if left out",
        examples=["*STB?"],
    )
    bits: int | None = Field(
        default=None,
        ge=0,
        description="bits of that answer that are set then; 0: none are, and the queue itself is asked; if left out 60 "
        "of `*ESR?` (query, device-dependent, execution and command error), 4 of `*STB?`, 0 of any other",
        examples=[4],
    )

    @field_validator("pattern")
    @classmethod
    def _has_a_code(cls, pattern: str) -> str:
        if "code" not in patterns.Pattern(pattern).groups:
            raise refusal(Misuse(f"`{pattern}` has no group `code`", expected="such as `(?P<code>-?\\d+)`"))
        return pattern


class PowerOnSign(GrammarModel):
    """How it is seen that the instrument was switched off and on."""

    ask: str = Field(
        default="*ESR?", description="query whose answer shows it; empty: it cannot be seen", examples=["*ESR?"]
    )
    mask: int = Field(default=128, gt=0, description="bits of the answer that are set then", examples=[128])


class Discharged(GrammarModel):
    """When the terminals of an output that says it is off count as discharged, where the profile can ask for
    `measured.voltage`.
    """

    below: Volts = Field(default=1.0, description="largest magnitude of the voltage at the terminals", examples=["1 V"])
    within: Seconds = Field(
        default=5.0, description="time that capacitors on the board may take to get there", examples=["5 s"]
    )


class Quirks(GrammarModel):
    """Where an instrument deviates from the standard, and how long it may take."""

    renamed: ClassVar[Mapping[str, str]] = names_of_today(QUIRKS)

    write_termination: str = Field(
        default="\n", description="what ends a message: NL, CR or both", examples=["\n", "\r\n"]
    )
    read_termination: str = Field(
        default="\n", description="what ends an answer: NL, CR or both", examples=["\n", "\r\n"]
    )
    encoding: Literal["ascii", "latin-1", "utf-8"] = Field(default="ascii", description="of texts in answers")
    timeout: Seconds = Field(
        default=2.0, description="longest wait for an answer that needs no measurement", examples=["2 s"]
    )
    record_timeout: Seconds = Field(
        default=10.0,
        description="longest time for a record, from the query for it to its last sample, and for a reading of a meter;"
        " that of a record that is forced is longer by its span",
        examples=["10 s"],
    )
    recovery_timeout: Seconds = Field(
        default=2.0,
        description="longest time for all that follows a failed exchange: getting back into step, asking again, asking "
        "why",
        examples=["2 s"],
    )
    connect_timeout: Seconds = Field(
        default=5.0, description="longest wait for the connection to open", examples=["5 s"]
    )
    pause: Seconds = Field(default=0.0, description="pause after each message", examples=["20 ms"])
    longest_message: int = Field(
        default=0, ge=0, description="largest number of bytes in a message; 0: no limit", examples=[256]
    )
    compound_queries: bool = Field(
        default=False,
        description="whether it takes several queries in one message, joined by `;`, as IEEE 488.2 requires",
        examples=[True],
    )
    repeats_queries: bool = Field(
        default=True, description="whether a query about a setting may be repeated when its answer is missing"
    )


class Abilities(GrammarModel):
    """What the instrument can do, from its data sheet; what is left out is not checked. Ranges are at the connector."""

    bandwidth: Hertz | None = Field(default=None, description="of a digitizer: bandwidth of its inputs")
    ranges: tuple[Volts, ...] = Field(
        default=(),
        description="of a digitizer: the ranges there are, full scale, peak to peak",
        examples=[["80 mV", "800 mV", "8 V"]],
    )
    offset: Volts | None = Field(default=None, description="of a digitizer: largest offset, in magnitude")
    least_rate: Hertz | None = Field(default=None, description="of a digitizer: slowest sampling", examples=["100 Hz"])
    rate: Hertz | None = Field(default=None, description="of a digitizer: fastest sampling", examples=["250 MHz"])
    least_points: Number | None = Field(
        default=None, description="of a digitizer: shortest record, in samples", examples=["500"]
    )
    points: Number | None = Field(default=None, description="of a digitizer: longest record, in samples")
    ac_corner: Hertz | None = Field(
        default=None,
        description="of a digitizer: corner of its ac coupling, at which a tone loses 3 dB",
        examples=["10 Hz"],
    )
    bandwidth_limits: tuple[Hertz, ...] = Field(
        default=(), description="of a digitizer: corners of its low-pass filter", examples=[["20 MHz"]]
    )
    impedances: tuple[Ohms, ...] = Field(
        default=(), description="of a digitizer: the input impedances there are", examples=[["50 ohm", "1 Mohm"]]
    )
    voltage: Volts | None = Field(default=None, description="largest voltage of a supply or source", examples=["32 V"])
    current: Amperes | None = Field(default=None, description="largest current of a supply", examples=["3 A"])
    frequency: Hertz | None = Field(default=None, description="highest frequency of a source", examples=["25 MHz"])
    arbitrary_points: Number | None = Field(
        default=None, description="of a source: largest number of points in a period of its own", examples=["64k"]
    )


class OwnValue(GrammarModel):
    """How the instrument's built-in measurement of a metric is queried."""

    before: Messages = Field(
        default=(), description="messages sent before the query", examples=['SENSe:FUNCtion "VOLTage:FREQuency"']
    )
    ask: str = Field(description="the query; `{input}` is the input's number", examples=["FETCh:FREQuency? (@{input})"])
    convert: Conversion = Field(
        default=Conversion(), description="the number on the wire is another than ours", examples=[{"times": 100}]
    )
    pattern: PatternOrNone = Field(
        default="",
        description="regular expression whose group `value` is what matters in the answer",
        examples=["^FREQ (?P<value>.*)$"],
    )


def _known_setting(name: Any) -> Any:
    if name not in known_settings():
        raise Misuse(
            f"unknown setting `{name}`",
            expected=f"one of {', '.join(sorted(known_settings()))}",
            do=did_you_mean(name, known_settings()),
        )
    return str(name)


SettingName = Annotated[str, BeforeValidator(refusing(_known_setting))]


class ProfileFile(GrammarModel):
    """The messages of one kind of instrument, what it can do, how accurate it is, without what it inherits."""

    version: VersionOne = Field(alias="wavewright-profile", description="version of the grammar: 1")
    name: str = Field(description="what the profile is called", examples=["scpi-digitizer"])
    about: str = Field(default="", description="what it is for, in a line", examples=["the digitizer of line 3"])
    role: Role | None = Field(default=None, description="what the instrument does")
    extends: str = Field(
        default="",
        description="profile that it extends, by name or as a file; what is not stated here is inherited",
        examples=["scpi-digitizer"],
    )
    python: str = Field(
        default="", description="name of an entry point, for what YAML cannot say", examples=["ten_line_dialect"]
    )
    answers_to: PatternOrNone = Field(
        default="",
        description="regular expression on the answer to `identify`, so that no other instrument is taken for this one",
        examples=["^Tenfold Works,Ten-line recorder,"],
    )
    recognised_by: str = Field(
        default="",
        description="query that only this kind of instrument answers with a number, a display with a text in quotes; "
        "for `bench scan`",
        examples=["SENSe:SWEep:POINts?"],
    )
    pattern: PatternOrNone = Field(
        default="",
        description="regular expression whose group `value` is what matters in every answer to a query of settings, "
        "scale and own values that has no pattern of its own",
        examples=["^\\S+ (?P<value>.*)$"],
    )
    identify: str = Field(
        default="*IDN?", description="query for the identity; empty: there is none", examples=["*IDN?"]
    )
    reset: Messages = Field(
        default=("*RST", "*CLS"),
        description="messages that bring it to its known state; `prepare` follows them",
        examples=[["*RST", "*CLS"]],
    )
    inputs: int = Field(default=0, ge=0, le=64, description="of a digitizer: number of inputs", examples=[4])
    settings: dict[SettingName, Setting] = Field(
        default_factory=dict,
        description="how each setting of the role is set and queried; `wavewright profile new` lists all of them",
        examples=[
            {
                "input.range": {
                    "set": "SENSe{input}:VOLTage:RANGe:PTPeak {value}",
                    "ask": "SENSe{input}:VOLTage:RANGe:PTPeak?",
                }
            }
        ],
    )
    prepare: Messages = Field(
        default=(), description="messages sent once, after `reset`", examples=["TRIGger:ATRigger OFF"]
    )
    acquire: Acquire = Field(
        default=Acquire(),
        description="of a digitizer: how a record is taken",
        examples=[{"arm": "INITiate", "finished": {"ask": "*OPC?"}, "force": "*TRG", "stop": "ABORt"}],
    )
    waveform: WaveformGrammar = Field(
        default=WaveformGrammar(),
        description="of a digitizer: how samples come",
        examples=[{"fetch": "SENSe{input}:DATA?", "format": "int8", "formats": {"int8": {"samples": "int8"}}}],
    )
    errors: ErrorQueueQuery = Field(
        default=ErrorQueueQuery(), description="how errors are queried", examples=[{"ask": "SYSTem:ERRor?"}]
    )
    restarted: PowerOnSign = Field(
        default=PowerOnSign(), description="how a loss of power is seen", examples=[{"ask": "*ESR?", "mask": 128}]
    )
    discharged: Discharged = Field(
        default=Discharged(),
        description="of a supply: when terminals count as discharged",
        examples=[{"below": "1 V", "within": "5 s"}],
    )
    quirks: Quirks = Field(
        default=Quirks(),
        description="where the instrument deviates from the standard, and how long it may take",
        examples=[{"read_termination": "\r\n", "timeout": "5 s"}],
    )
    abilities: Abilities = Field(
        default=Abilities(),
        description="what it can do; what is left out is not checked",
        examples=[{"bandwidth": "100 MHz", "ranges": ["800 mV", "8 V"]}],
    )
    accuracy: StatedAccuracy = Field(
        default=StatedAccuracy(),
        description="limits of error, from the data sheet",
        examples=[{"gain": "1.5 %", "offset": "0.5 % of range + 1 mV", "timebase": "10 ppm"}],
    )
    own_values: dict[str, OwnValue] = Field(
        default_factory=dict,
        description="how its built-in measurement of a metric is queried, for comparison only, by the metric's name",
        examples=[{"frequency": {"ask": "FETCh:FREQuency? (@{input})"}}],
    )
