"""The grammar of a profile file: which keys there are, what each takes, what is left out means.

Every part of it may be inherited by `extends:` and overridden key by key, so nothing is required here; `profile` checks
that the whole is complete for its role.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema, field_validator

from wavewright.buses.search import patterns
from wavewright.errors import Misuse
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal, refusing
from wavewright.grammar.quantity_fields import Amperes, Hertz, Number, Ohms, Seconds, Share, Volts
from wavewright.grammar.word_fields import Pattern
from wavewright.instruments.error_queue import ENTRY_PATTERN
from wavewright.instruments.setting import Conversion, Messages, Setting
from wavewright.instruments.vocabulary import Role, known_settings
from wavewright.quantities import read_quantity

SampleKind = Literal[
    "int8", "uint8", "int16", "uint16", "int32", "uint32", "float32", "float64", "ascii"
]  # one word a type of NumPy, and text


class Poll(GrammarModel):
    """Ask again and again, until the answer says that it is over.

    Parameters
    ----------
    before : messages sent once, after arming.
    ask : the query.
    pattern : what the answer matches when it is over.
    mask : or: the bits of the answered number that count, …
    equals : … and what they are when it is over.
    interval : s, between two questions at most; the first ones follow quicker.
    """

    before: Messages = ()
    ask: str
    pattern: Pattern = ""
    mask: int | None = None
    equals: int = 0
    interval: Seconds = 0.02


class ServiceRequest(GrammarModel):
    """Wait until the instrument asks for service; where the library cannot, poll the status byte.

    Parameters
    ----------
    before : messages that make the end show in the status byte, sent before arming.
    request : messages that make it a request; only sent where the library hears requests, for elsewhere they do harm
        (PyVISA-py 0.8.1 over HiSLIP gets out of step with its status channel).
    after : messages sent when it is over, to take that back.
    mask : the bits of the status byte that mean "over".
    """

    before: Messages = ()
    request: Messages = ()
    after: Messages = ()
    mask: int
    interval: Seconds = 0.02


class Finished(GrammarModel):
    """How the end of an acquisition is told: exactly one of the three."""

    is_whole: ClassVar[bool] = True
    ask: str = ""
    poll: Poll | None = None
    service_request: ServiceRequest | None = None


class Acquire(GrammarModel):
    """How a record is taken.

    Parameters
    ----------
    arm : messages that start the wait for the trigger.
    finished : how its end is told.
    force : messages that stand in for the trigger.
    stop : messages that end it, whatever it is doing.
    """

    arm: Messages = ()
    finished: Finished = Finished()
    force: Messages = ()
    stop: Messages = ()


class Term(GrammarModel):
    """One number of a scale: from a query, from a field of the preamble, or from a place in the block.

    `field` counts the preamble's items from 0, `at` the block's bytes from 0; `as` and `byte_order` say what they are.
    `pattern` is as for a setting: its group `value` is what matters in the answer to `ask`, or in the field.
    """

    ask: str = ""
    pattern: Pattern = ""
    field: int | None = Field(default=None, ge=0)
    at: int | None = Field(default=None, ge=0)
    type_: Annotated[SampleKind, Field(alias="as")] = "float32"
    byte_order: Literal["big", "little"] = "big"
    times: float = 1.0
    plus: float = 0.0


class Scale(GrammarModel):
    """Where the scale is told: value = offset + gain · (code − reference), time = start + interval · index.

    Parameters
    ----------
    told_in : `settings` (range and offset as read back), `queries`, `preamble` (a comma-separated answer), `block`
        (a head inside the block), `dif`, or `samples` (they are volts already).
    ask : query for the preamble; pattern : what of its answer is the preamble, as for a setting.
    head : bytes of the block in front of the samples, for `block`.
    codes_over_range : for `settings`: how many codes the full scale covers.
    gain, offset, reference, interval, start : where each is found; what is left out follows from the settings.
    """

    is_whole: ClassVar[bool] = True
    told_in: Literal["settings", "queries", "preamble", "block", "dif", "samples"] = "settings"
    ask: str = ""
    pattern: Pattern = ""
    head: int = Field(default=0, ge=0)
    codes_over_range: float = 256.0
    gain: Term | None = None
    offset: Term | None = None
    reference: Term | None = None
    interval: Term | None = None
    start: Term | None = None


class SampleFormat(GrammarModel):
    """One form that samples come in.

    Parameters
    ----------
    prepare : messages that choose it.
    samples : the type of one.
    byte_order : of samples with more than one byte.
    codes : lowest and highest code of the converter, as they come; None: not known.
    codes_over_range : how many of these codes the full scale covers; the scale's own number if None.
    """

    prepare: Messages = ()
    samples: SampleKind = "int8"
    byte_order: Literal["big", "little"] = "big"
    codes: tuple[float, float] | None = None
    codes_over_range: float | None = None


class Slices(GrammarModel):
    """Long records come in parts: so many samples each, counted from `first`."""

    points: Number
    first: int = 0


class WaveformGrammar(GrammarModel):
    """How samples come.

    Parameters
    ----------
    prepare : messages sent with the known state, whatever the form.
    fetch : the query; the last message is it. `{input}`, and for slices `{first}`, `{last}`, `{count}`.
    block : `definite`, `indefinite` (either is recognised by itself), or `none`: bytes without a header.
    silence : s; how an indefinite block ends on a wire without end marks.
    newline : NL follows a block, as it must; false: the end mark alone, where the wire has one.
    invalid : the code that stands for "no sample".
    formats : by name; `format` is the one that measurements use.
    """

    prepare: Messages = ()
    fetch: Messages = ()
    block: Literal["definite", "indefinite", "none"] = "definite"
    silence: Seconds | None = None
    newline: bool = True
    invalid: float | None = None
    format: str = "int8"
    formats: dict[str, SampleFormat] = Field(default_factory=dict)
    slices: Slices | None = None
    scale: Scale = Scale()


class ErrorQueue(GrammarModel):
    """The error queue: the query for its oldest entry (empty: it has none), the shape of an entry, the code of none."""

    ask: str = "SYSTem:ERRor?"
    pattern: Pattern = ENTRY_PATTERN
    none: int = 0

    @field_validator("pattern")
    @classmethod
    def _has_a_code(cls, pattern: str) -> str:
        if "code" not in patterns.Pattern(pattern).groups:
            raise refusal(Misuse(f"`{pattern}` has no group `code`", expected="such as `(?P<code>-?\\d+)`"))
        return pattern


class Restarted(GrammarModel):
    """How it is seen that the instrument was switched off and on: the query (empty: it cannot be), and the bits."""

    ask: str = "*ESR?"
    mask: int = Field(default=128, gt=0)


class Discharged(GrammarModel):
    """When the terminals of an output that says it is off count as discharged, where the profile can ask for
    `measured.voltage`.

    Parameters
    ----------
    below : V, in magnitude.
    within : s; how long capacitors on the board may take to get there.
    """

    below: Volts = 1.0
    within: Seconds = 5.0


class Quirks(GrammarModel):
    """What an instrument wants otherwise than the standard says, and how long it may take.

    Parameters
    ----------
    timeout : s, for an answer that needs no measuring.
    record_timeout : s, for a record, from the question for it to its last sample, and for the reading of a meter; a
        record that is forced has its span besides.
    recovery_timeout : s, for all that a failed exchange entails: getting back into step, asking again, asking why.
    connect_timeout : s, for opening the connection.
    pause : s, after each message.
    longest_message : bytes; 0: no limit.
    repeats_questions : whether a question about a setting may be asked again.
    """

    write_termination: str = "\n"
    read_termination: str = "\n"
    encoding: Literal["ascii", "latin-1", "utf-8"] = "ascii"
    timeout: Seconds = 2.0
    record_timeout: Seconds = 10.0
    recovery_timeout: Seconds = 2.0
    connect_timeout: Seconds = 5.0
    pause: Seconds = 0.0
    longest_message: int = Field(default=0, ge=0)
    repeats_questions: bool = True


class Abilities(GrammarModel):
    """What the instrument can do; what is left out is not checked.

    `least_points` and `points` are the shortest and the longest record, `least_rate` and `rate` the slowest and the
    fastest sampling. Ranges are full scale, peak to peak, at the connector. `voltage`, `current` and `frequency` are
    the most of each.
    """

    bandwidth: Hertz | None = None
    ranges: tuple[Volts, ...] = ()
    offset: Volts | None = None
    least_rate: Hertz | None = None
    rate: Hertz | None = None
    least_points: Number | None = None
    points: Number | None = None
    bandwidth_limits: tuple[Hertz, ...] = ()
    impedances: tuple[Ohms, ...] = ()
    voltage: Volts | None = None
    current: Amperes | None = None
    frequency: Hertz | None = None
    arbitrary_points: Number | None = None


class OwnValue(GrammarModel):
    """How the instrument is asked for its own value of a metric of ours."""

    before: Messages = ()
    ask: str
    convert: Conversion = Conversion()
    pattern: Pattern = ""


def _accuracy_of_offset(value: Any) -> tuple[float, float]:
    """`0.5 % of range + 1 mV`, either part alone, in either order: (share of the range, V)."""
    share, fixed = 0.0, 0.0
    for part in str(value).split("+"):
        words = part.strip()
        if words.endswith("of range"):
            share += read_quantity(words.removesuffix("of range").strip(), unit="1").value
        elif words:
            fixed += read_quantity(words, unit="V").value
        else:
            raise Misuse(f"`{value}` is no accuracy of an offset", expected="such as `0.5 % of range + 1 mV`")
    return share, fixed


class Accuracy(GrammarModel):
    """Limits of error of the instrument: each an interval that its true value lies in, ± the number.

    `offset` is (share of the range, V); `noise` is what an open input shows, rms, in the same form.
    Gain and time base are ratios, skew is s, between any two inputs. A supply or a meter states for its currents
    `current_gain`, a ratio, and `current_offset`, A.
    """

    gain: Share | None = None
    offset: Annotated[
        tuple[float, float] | None,
        BeforeValidator(refusing(_accuracy_of_offset)),
        WithJsonSchema({"type": "string", "examples": ["0.5 % of range + 1 mV"]}),
    ] = None
    noise: Annotated[
        tuple[float, float] | None,
        BeforeValidator(refusing(_accuracy_of_offset)),
        WithJsonSchema({"type": "string", "examples": ["0.1 % of range + 100 uV"]}),
    ] = None
    current_gain: Share | None = None
    current_offset: Amperes | None = None
    timebase: Share | None = None
    skew: Seconds | None = None


def _known_setting(name: Any) -> Any:
    if name not in known_settings():
        from difflib import get_close_matches

        near = get_close_matches(str(name), known_settings(), 1)
        raise Misuse(
            f"unknown setting `{name}`",
            expected=f"one of {', '.join(sorted(known_settings()))}",
            do=f"did you mean `{near[0]}`?" if near else "",
        )
    return str(name)


SettingName = Annotated[str, BeforeValidator(refusing(_known_setting))]


class ProfileFile(GrammarModel):
    """One profile file, as it stands, without what it inherits.

    Parameters
    ----------
    answers_to : pattern on the answer to `identify`.
    identify : the question for the identity, which `bench scan` asks too; empty: there is none.
    recognised_by : a query that only this kind of instrument answers with a number; for `bench scan`, where the
        identity does not tell.
    reset : messages that bring it to its known state; `prepare` follows them.
    python : name of an entry point for what YAML cannot say.
    pattern : regular expression whose group `value` is what matters in every answer to a question of settings, scale
        and own values, where these have none of their own: for an instrument that answers with the header before it.
    """

    version: Annotated[Literal["1"], Field(alias="wavewright-profile")]
    name: str
    about: str = ""
    role: Role | None = None
    extends: str = ""
    python: str = ""
    answers_to: Pattern = ""
    recognised_by: str = ""
    pattern: Pattern = ""
    identify: str = "*IDN?"
    reset: Messages = ("*RST", "*CLS")
    inputs: int = Field(default=0, ge=0, le=64)
    settings: dict[SettingName, Setting] = Field(default_factory=dict)
    prepare: Messages = ()
    acquire: Acquire = Acquire()
    waveform: WaveformGrammar = WaveformGrammar()
    errors: ErrorQueue = ErrorQueue()
    restarted: Restarted = Restarted()
    discharged: Discharged = Discharged()
    quirks: Quirks = Quirks()
    abilities: Abilities = Abilities()
    accuracy: Accuracy = Accuracy()
    own_values: dict[str, OwnValue] = Field(default_factory=dict)
