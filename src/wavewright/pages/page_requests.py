"""What a page may ask for: checked on arrival, frozen; `protocol` says what each word does."""

from __future__ import annotations

import json
from typing import Annotated, ClassVar, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from wavewright.errors import Misuse
from wavewright.nearest import did_you_mean

LONGEST_TEXT = 256 * 1024  # characters; as long as a recipe may be
LONGEST_REQUEST = 2 * LONGEST_TEXT + 4096  # bytes of one message from the page
MOST_COLUMNS = 8192  # pixels; a wall of screens has fewer
LONGEST_SPAN = 1e9  # s


class PageRequest(BaseModel):
    """What the page asks for."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)
    needs_hand: ClassVar[bool] = True


Seconds = Annotated[float, Field(ge=-LONGEST_SPAN, le=LONGEST_SPAN, allow_inf_nan=False, strict=False)]
Length = Annotated[float, Field(gt=0, le=LONGEST_SPAN, allow_inf_nan=False, strict=False)]
Volts = Annotated[float, Field(ge=-1e12, le=1e12, allow_inf_nan=False, strict=False)]
Word = Annotated[str, Field(max_length=200)]
Revision = Annotated[int, Field(ge=0)]


class EditRequest(PageRequest):
    """Put a text in the place of a number."""

    do: Literal["edit"]
    id: Word
    text: Word
    revision: Revision | None = None


class NudgeRequest(PageRequest):
    """Change a number by steps, upwards or downwards."""

    do: Literal["nudge"]
    id: Word
    steps: Annotated[int, Field(ge=-1000, le=1000)]
    revision: Revision | None = None


class TextRequest(PageRequest):
    """The whole file, typed."""

    do: Literal["text"]
    revision: Revision
    text: Annotated[str, Field(max_length=LONGEST_TEXT)]


class StepRequest(PageRequest):
    """Take the last change back, or make it again."""

    do: Literal["undo", "redo"]
    revision: Revision | None = None


class PaceRequest(PageRequest):
    """Shot after shot, none, or one."""

    do: Literal["run", "hold", "single"]


class ViewRequest(PageRequest):
    """The part of the record that the page shows, and how many pixels wide."""

    do: Literal["view"]
    needs_hand = False
    start: Seconds
    span: Length
    columns: Annotated[int, Field(ge=1, le=MOST_COLUMNS)]


class WholeViewRequest(PageRequest):
    """All of the record, whatever its span becomes."""

    do: Literal["whole_view"]
    needs_hand = False
    columns: Annotated[int, Field(ge=1, le=MOST_COLUMNS)]


class SpanRequest(PageRequest):
    """Make the part that is shown the span of the measurement."""

    do: Literal["span_from_view"]
    start: Seconds
    span: Length
    revision: Revision | None = None


class PlaceOnTrace(BaseModel):
    """A place that was clicked on a trace."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)
    time: Seconds
    channel: Word
    level: Volts


class MetricRequest(PageRequest):
    """Write what lies between two places as a metric."""

    do: Literal["add_metric"]
    type: Literal["time_between", "level_difference"]
    at: Annotated[list[PlaceOnTrace], Field(min_length=2, max_length=2)]
    revision: Revision | None = None


class ReferenceRequest(PageRequest):
    """Keep the trace that is shown as reference, or forget it."""

    do: Literal["reference"]
    keep: bool


class LimitsRequest(PageRequest):
    """Write limits from the readings of the last shots."""

    do: Literal["limits_from_last"]
    shots: Annotated[int, Field(ge=5, le=1000)]
    revision: Revision | None = None


class MeasurementRequest(PageRequest):
    """Show another measurement of the recipe."""

    do: Literal["measurement"]
    label: Word


class OutputsRequest(PageRequest):
    """Let the outputs go on that the measurement asks for, or switch them off."""

    do: Literal["outputs"]
    confirm: bool
    revision: Revision | None = None


class HandRequest(PageRequest):
    """Take the hand if it is free, or give it back."""

    do: Literal["hand"]
    needs_hand = False
    take: bool


class NextRequest(PageRequest):
    """Where the next rare path, damaged frame or doubtful reading is."""

    do: Literal["next"]
    needs_hand = False
    what: Literal["rare", "damaged", "doubt"]
    from_: Annotated[float, Field(alias="from", allow_inf_nan=False, strict=False)]


class DrawnRequest(PageRequest):
    """A shot is on the screen: the next one may come."""

    do: Literal["drawn"]
    needs_hand = False
    number: Annotated[int, Field(ge=0)]


class AliveRequest(PageRequest):
    """The page answers; the program answers with its state, so that the page knows of a program that does not."""

    do: Literal["alive"]
    needs_hand = False


AnyRequest = Annotated[
    EditRequest
    | NudgeRequest
    | TextRequest
    | StepRequest
    | PaceRequest
    | ViewRequest
    | WholeViewRequest
    | SpanRequest
    | MetricRequest
    | ReferenceRequest
    | LimitsRequest
    | MeasurementRequest
    | OutputsRequest
    | HandRequest
    | NextRequest
    | DrawnRequest
    | AliveRequest,
    Field(discriminator="do"),
]
_REQUESTS: TypeAdapter[AnyRequest] = TypeAdapter(AnyRequest)
_WORDS = tuple(
    word for kind in get_args(get_args(AnyRequest)[0]) for word in get_args(kind.model_fields["do"].annotation)
)


def read_request(text: str) -> AnyRequest:
    """What the page asks for.

    Raises
    ------
    Misuse : it is not JSON, nothing that can be done, or lacks or misspells something.

    Examples
    --------
    >>> read_request('{"do": "nudge", "id": "rail.range", "steps": 1}').steps
    1
    """
    try:
        plain = json.loads(text)
    except (ValueError, RecursionError) as fault:
        raise Misuse("the message is not JSON", expected='such as `{"do": "hold"}`') from fault
    if not isinstance(plain, dict):
        raise Misuse("the message is not an object", expected='such as `{"do": "hold"}`')
    word = plain.get("do")
    if word not in _WORDS:
        do = did_you_mean(word, _WORDS) if isinstance(word, str) else ""
        raise Misuse(f"`do` is {_shortly(word)}", expected=f"one of {', '.join(_WORDS)}", do=do)
    try:
        return _REQUESTS.validate_python(plain)
    except ValidationError as fault:
        first = fault.errors(include_url=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"][1:]) or word
        what = f"`{word}`: `{where}` is {_shortly(first['input'])}" if first["type"] != "missing" else ""
        raise Misuse(what or f"`{word}` lacks `{where}`", expected=_plain_words(first["msg"])) from fault


def _plain_words(message: str) -> str:
    return message[:1].lower() + message[1:]


def _shortly(value: object) -> str:
    shown = json.dumps(value, ensure_ascii=True, default=str)
    return f"`{shown[:60]}…`" if len(shown) > 60 else f"`{shown}`"
