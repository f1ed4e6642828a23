"""The grammar of a profile's `acquire:` and `waveform:`: how a record is taken, how samples come, what they mean."""

from __future__ import annotations

from string import ascii_lowercase
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from wavewright.grammar.model import GrammarModel
from wavewright.grammar.quantity_fields import Number, Seconds
from wavewright.grammar.word_fields import PatternOrNone
from wavewright.instruments.setting import Messages

SampleKind = Literal[
    "int8", "uint8", "int16", "uint16", "int32", "uint32", "float32", "float64", "ascii"
]  # one word per type of NumPy, and text


class Poll(GrammarModel):
    """Ask again and again, until the answer says that it is over."""

    before: Messages = Field(default=(), description="messages sent once, after arming", examples=["*CLS"])
    ask: str = Field(description="the query", examples=["STATus:OPERation:CONDition?"])
    pattern: PatternOrNone = Field(
        default="", description="what the answer matches when it is over; or `mask`", examples=["^DONE$"]
    )
    mask: int | None = Field(
        default=None, description="the bits of the answered number that count; or `pattern`", examples=[8]
    )
    equals: int = Field(default=0, description="what these bits are when it is over", examples=[0])
    interval: Seconds = Field(default=0.02, description="longest time between two queries; the first ones come sooner")


class ServiceRequest(GrammarModel):
    """Wait until the instrument asks for service; where the library cannot, poll the status byte.

    `request` is only sent where the library hears requests, for elsewhere it does harm (PyVISA-py 0.8.1 over HiSLIP
    gets out of step with its status channel).
    """

    before: Messages = Field(
        default=(),
        description="messages that make the end show in the status byte, sent before arming",
        examples=[["STATus:OPERation:NTRansition 8", "STATus:OPERation:ENABle 8"]],
    )
    request: Messages = Field(
        default=(),
        description="messages that turn it into a service request, sent only where the library can wait for one",
        examples=["*SRE 128"],
    )
    after: Messages = Field(default=(), description="messages that take this back when it is over", examples=["*SRE 0"])
    mask: int = Field(description="the bits of the status byte that mean that it is over", examples=[128])
    interval: Seconds = Field(default=0.02, description="longest time between two polls of the status byte")


class AcquisitionEnd(GrammarModel):
    """How the end of an acquisition is recognised: exactly one of the three."""

    is_whole: ClassVar[bool] = True
    ask: str = Field(default="", description="a query that is answered when it is over", examples=["*OPC?"])
    poll: Poll | None = Field(
        default=None,
        description="a query that is repeated until its answer says that the acquisition has ended",
        examples=[{"ask": "STATus:OPERation:CONDition?", "mask": 8}],
    )
    service_request: ServiceRequest | None = Field(
        default=None,
        description="a service request by the instrument",
        examples=[{"before": "STATus:OPERation:ENABle 8", "request": "*SRE 128", "after": "*SRE 0", "mask": 128}],
    )


class ArmedSign(GrammarModel):
    """How the instrument says that it waits for its trigger: asked after arming, before what causes the trigger."""

    is_whole: ClassVar[bool] = True
    ask: str = Field(
        default="",
        description="query whose answer shows it; empty: it cannot be seen",
        examples=["STATus:OPERation:CONDition?"],
    )
    pattern: PatternOrNone = Field(
        default="", description="what the answer matches while it waits; or `mask`", examples=["^WAIT$"]
    )
    mask: int | None = Field(
        default=None, description="the bits of the answered number that count; or `pattern`", examples=[96]
    )
    equals: int | None = Field(
        default=None, description="what these bits are while it waits; all of them set if left out", examples=[32]
    )
    within: Seconds = Field(
        default=2.0,
        description="longest time that it may take to get there, once the part of the record before the trigger is "
        "taken",
        examples=["2 s"],
    )
    interval: Seconds = Field(default=0.02, description="longest time between two queries; the first ones come sooner")


class Acquire(GrammarModel):
    """How a record is taken."""

    arm: Messages = Field(default=(), description="messages that start the wait for the trigger", examples=["INITiate"])
    armed: ArmedSign = Field(
        default=ArmedSign(),
        description="how it is seen that the trigger is waited for, before a stimulus that causes it is sent",
        examples=[{"ask": "STATus:OPERation:CONDition?", "mask": 96, "equals": 32}],
    )
    finished: AcquisitionEnd = Field(
        default=AcquisitionEnd(),
        description="how the end of the acquisition is recognised",
        examples=[{"ask": "*OPC?"}],
    )
    force: Messages = Field(default=(), description="messages that force a trigger", examples=["*TRG"])
    stop: Messages = Field(
        default=(), description="messages that stop the acquisition in any state", examples=["ABORt"]
    )


class ScaleTerm(GrammarModel):
    """One number of a scale: from a query, from a field of the preamble, or from a place in the block."""

    ask: str = Field(default="", description="query for the number", examples=["SENSe{input}:VOLTage:RANGe:OFFSet?"])
    pattern: PatternOrNone = Field(
        default="",
        description="regular expression whose group `value` is the number in the answer, or in the field",
        examples=["^(?P<value>\\S+) V$"],
    )
    field: int | None = Field(default=None, ge=0, description="item of the preamble, from 0", examples=[4])
    at: int | None = Field(default=None, ge=0, description="byte of the block where it begins, from 0", examples=[16])
    type_: Annotated[SampleKind, Field(alias="as")] = Field(
        default="float32", description="type of the number at that byte"
    )
    byte_order: Literal["big", "little"] = Field(default="big", description="which byte of it comes first")
    times: float = Field(default=1.0, description="the number is multiplied by this …", examples=[0.001])
    plus: float = Field(default=0.0, description="… and this is added", examples=[0.5])


class Scale(GrammarModel):
    """Where the scale is stated: value = offset + gain · (code − reference), time = start + interval · index."""

    is_whole: ClassVar[bool] = True
    told_in: Literal["settings", "queries", "preamble", "block", "dif", "samples"] = Field(
        default="settings",
        description="settings: range and offset as read back; queries; preamble: a comma-separated answer; "
        "block: a head inside the block; dif; samples: they are volts already",
    )
    ask: str = Field(default="", description="query for the preamble", examples=["SENSe{input}:DATA:PREamble?"])
    pattern: PatternOrNone = Field(
        default="",
        description="regular expression whose group `value` is the preamble in the answer",
        examples=["^HEAD (?P<value>.*)$"],
    )
    head: int = Field(
        default=0, ge=0, description="of `told_in: block`: number of bytes before the samples", examples=[32]
    )
    codes_over_range: float = Field(
        default=256.0, description="of `told_in: settings`: number of codes that the full scale covers", examples=[250]
    )
    gain: ScaleTerm | None = Field(
        default=None,
        description="where the gain, V per code, is stated; from the settings if left out",
        examples=[{"field": 0}],
    )
    offset: ScaleTerm | None = Field(
        default=None,
        description="where the offset, V, is stated; from the settings if left out",
        examples=[{"field": 1}],
    )
    reference: ScaleTerm | None = Field(
        default=None,
        description="where the code of the offset is stated; from the settings if left out",
        examples=[{"field": 2}],
    )
    interval: ScaleTerm | None = Field(
        default=None,
        description="where the sampling interval, s, is stated; from the settings if left out",
        examples=[{"ask": "SENSe:SWEep:TINTerval?"}],
    )
    start: ScaleTerm | None = Field(
        default=None,
        description="where the time of the first sample, s, is stated; from the settings if left out",
        examples=[{"at": 24, "as": "float64"}],
    )

    @property
    def tells_all(self) -> bool:
        """Whether gain, offset and sampling interval come with each record, or are asked for with it."""
        return self.told_in == "dif" or None not in (self.gain, self.offset, self.interval)


class SampleFormat(GrammarModel):
    """One form that samples come in."""

    prepare: Messages = Field(default=(), description="messages that choose it", examples=["FORMat:DATA INTeger,8"])
    samples: SampleKind = Field(default="int8", description="the type of a sample")
    byte_order: Literal["big", "little"] = Field(
        default="big", description="of samples with several bytes: which one comes first"
    )
    codes: tuple[float, float] | None = Field(
        default=None,
        description="lowest and highest code of the converter, as they come; not known if left out",
        examples=[[-128, 127]],
    )
    codes_over_range: float | None = Field(
        default=None,
        description="how many of these codes the full scale covers; as in `scale` if left out",
        examples=[250],
    )

    @property
    def size(self) -> int:
        """Bytes of one sample in memory; of text, those of the number that is read from it."""
        return 8 if self.samples == "ascii" else int(self.samples.strip(ascii_lowercase)) // 8


class Slices(GrammarModel):
    """Long records come in parts."""

    points: Number = Field(description="number of samples in a part", examples=["1M"])
    first: int = Field(default=0, description="number of the first sample of a record", examples=[1])


class WaveformGrammar(GrammarModel):
    """How samples come."""

    prepare: Messages = Field(
        default=(),
        description="messages sent with the known state, whatever the form",
        examples=["FORMat:BORDer NORMal"],
    )
    fetch: Messages = Field(
        default=(),
        description="the query, after messages that come before it; `{input}`, and for slices `{first}`, `{last}`, "
        "`{count}`",
        examples=['SENSe{input}:DATA? "XTIMe:VOLTage {input}"'],
    )
    block: Literal["definite", "indefinite", "none"] = Field(
        default="definite",
        description="definite or indefinite, both recognised automatically; none: bytes without a header",
    )
    silence: Seconds | None = Field(
        default=None,
        description="how long nothing comes after the end of an indefinite block, on a wire without end marks",
        examples=["200 ms"],
    )
    newline: bool = Field(
        default=True, description="whether a newline follows a block, as it must; false: the end mark alone"
    )
    invalid: float | None = Field(default=None, description="code that stands for an invalid sample", examples=[-128])
    format: str = Field(default="int8", description="the one of `formats` that measurements use", examples=["int16"])
    formats: dict[str, SampleFormat] = Field(
        default_factory=dict,
        description="the forms that samples can come in, by name",
        examples=[{"int8": {"prepare": "FORMat:DATA INTeger,8", "samples": "int8", "codes": [-128, 127]}}],
    )
    slices: Slices | None = Field(
        default=None, description="how long records come in parts; in one if left out", examples=[{"points": "1M"}]
    )
    scale: Scale = Field(default=Scale(), description="where the scale is stated", examples=[{"told_in": "settings"}])
