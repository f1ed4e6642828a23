"""What an outcome from a file must look like, key by key, before anything is made of it."""

from __future__ import annotations

import hashlib
import json
import sys
import unicodedata
from collections.abc import Hashable, Mapping, Sequence
from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, NotRequired

from pydantic import AfterValidator, Field, TypeAdapter, ValidationError
from typing_extensions import TypedDict

from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.errors import FileFault, Place
from wavewright.judgement.verdict import Verdict

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

MOST_TOLD = 20  # faults of a file
LONGEST = 60  # characters of a value in a message
LARGEST = sys.float_info.max  # an integer may be larger; no setting is, and it could not be shown
WHOLE = 1 << 63  # whole numbers from here on have no place in a database


def _storable(text: str) -> str:
    if "\0" in text:
        raise ValueError("a text without the character NUL")
    text.encode()  # half a surrogate pair has no place in UTF-8
    return text


def _one_line(text: str) -> str:
    """What stands in a line of its own on a screen: nothing in it may look like the next one."""
    if any(unicodedata.category(sign) == "Cc" for sign in text):
        raise ValueError("a text in one line, without control characters")
    return _storable(text)


def _time(text: str) -> str:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise ValueError("a time such as 2026-03-02T08:00:00+00:00, with its offset from UTC")
    return text


def _verdict(word: str) -> str:
    if word not in set(Verdict):
        raise ValueError(f"one of {', '.join(Verdict)}")
    return word


def _setting(value: object) -> object:
    if isinstance(value, str):
        return _storable(value)
    if isinstance(value, bool) or (isinstance(value, (int, float)) and abs(value) <= LARGEST):
        return value
    raise ValueError("a number that can be shown, a text, true or false")


def _distribution(word: str) -> str:
    if word not in set(Distribution):
        raise ValueError(f"one of {', '.join(Distribution)}")
    return word


Word = Annotated[str, AfterValidator(_storable)]
Line = Annotated[str, AfterValidator(_one_line)]
Name = Annotated[str, Field(min_length=1), AfterValidator(_storable)]
Time = Annotated[str, AfterValidator(_time)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Count = Annotated[int, Field(ge=0, lt=WHOLE)]
VerdictWord = Annotated[str, AfterValidator(_verdict)]
DistributionWord = Annotated[str, AfterValidator(_distribution)]
Setting = Annotated[Any, AfterValidator(_setting)]


class FindingForm(TypedDict):
    """What was found about a doubt, and how far the true value may lie away."""

    doubt: Word
    text: Word
    decides: bool
    below: NotRequired[Number]
    above: NotRequired[Number]


class ContributionForm(TypedDict):
    """One line of an uncertainty budget."""

    name: Word
    standard: Number
    distribution: DistributionWord
    key: NotRequired[Word]
    sensitivity: NotRequired[Number]
    degrees_of_freedom: NotRequired[Annotated[Number, Field(ge=1)]]
    source: NotRequired[Word]


class BudgetForm(TypedDict):
    """Everything that makes a value uncertain."""

    contributions: list[ContributionForm]
    missing: NotRequired[list[Word]]


class ReadingForm(TypedDict):
    """A reading; what it may have besides is left to whoever reads it."""

    value: Number | None
    unit: Annotated[Name, Field(max_length=24)]
    uncertainty: NotRequired[Number]
    doubts: NotRequired[list[Word]]
    reason: NotRequired[Word]
    count: NotRequired[Count]
    minimum: NotRequired[Number]
    maximum: NotRequired[Number]
    standard_deviation: NotRequired[Number]
    at: NotRequired[Number]
    findings: NotRequired[list[FindingForm]]
    budget: NotRequired[BudgetForm]


class ResultForm(TypedDict):
    """One entry of `compute:`."""

    name: Name
    metric: Word
    of: list[Word]
    verdict: VerdictWord | None
    reading: ReadingForm
    limit: Word
    margin: Number | None
    relative_margin: Number | None
    reason: Word
    over: Word
    decisive_shot: Count | None
    shots: list[ReadingForm]
    allowed: NotRequired[list[Word]]
    rule: NotRequired[Word]
    conformance: NotRequired[Number | None]


class CrossCheckForm(TypedDict):
    """A value of ours beside the instrument's own."""

    name: Word
    unit: Word
    ours: Number | None
    theirs: Number | None
    remark: Word


class MeasurementForm(TypedDict):
    """One measurement."""

    name: Name
    conditions: dict[Word, Word]
    verdict: VerdictWord | None
    error: Word
    place: Word
    shots: Count
    results: list[ResultForm]
    remarks: list[Word]
    asked: dict[Word, Setting]
    read_back: dict[Word, Setting]
    cross_checks: list[CrossCheckForm]
    seconds: NotRequired[Number | None]
    times: NotRequired[dict[Word, Number]]


class OriginForm(TypedDict):
    """A file that the run was made from."""

    file: Word
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    text: Word


class CalibrationForm(TypedDict):
    """What a bench file says about the calibration of an instrument or a probe."""

    calibrated: Word
    due: Word
    certificate: Word
    serial: Word
    is_overdue: bool


class DeclaredForm(TypedDict):
    """A declared field."""

    text: Line
    value: Number | None
    unit: Annotated[Line, Field(max_length=24)]
    source: Line


class AttachmentForm(TypedDict):
    """A note, or a file that was attached."""

    at: Time
    by: NotRequired[Line]
    text: NotRequired[Word]
    name: NotRequired[Line]
    size: NotRequired[Count]
    sha256: NotRequired[Annotated[str, Field(pattern="^[0-9a-f]{64}$")]]
    media: NotRequired[Annotated[str, Field(pattern="^image/(png|jpeg)$")]]
    of: NotRequired[Word]


class OutcomeForm(TypedDict):
    """A whole outcome, as `outcome_as_json` writes it."""

    wavewright_outcome: int
    title: Word
    verdict: VerdictWord
    part: Word
    serial: Word
    operator: Word
    started: Time
    ended: Time
    error: Word
    parameters: dict[Word, Word]
    seed: int | None
    draw: NotRequired[int | None]
    simulated: NotRequired[bool]
    measurements: list[MeasurementForm]
    identities: dict[Word, Word]
    versions: dict[Word, Word]
    recipe: OriginForm
    bench: OriginForm
    profiles: dict[Word, OriginForm]
    corrections: NotRequired[OriginForm]
    calibrations: NotRequired[dict[Word, CalibrationForm]]
    times: NotRequired[dict[Word, Number]]
    declared: NotRequired[dict[Annotated[str, Field(pattern="^[A-Za-z][A-Za-z0-9_]*$")], DeclaredForm]]
    retest: NotRequired[Count]
    retest_of: NotRequired[Word]
    quarantined: NotRequired[Word]
    golden: NotRequired[Word]
    attachments: NotRequired[list[AttachmentForm]]


class LineForm(TypedDict):
    """A line of an exported file, or of the spool."""

    id: Annotated[str, Field(pattern=r"^[!-~]{1,40}$")]
    station: Word
    batch: Word
    outcome: OutcomeForm
    added: NotRequired[list[AttachmentForm]]
    logbook: NotRequired[Word]
    evidence: NotRequired[Word]


def read_json(text: str, *, where: Place) -> Any:
    """What a text says as JSON, or a fault of the file.

    Raises
    ------
    FileFault : it is none; numbers that are not finite are none either.
    """
    try:
        return json.loads(text, parse_constant=_refused)
    except RecursionError:
        raise FileFault("brackets nested too deeply", where=where, expected="JSON as Wavewright writes it") from None
    except ValueError as fault:
        raise FileFault(f"not JSON: {fault}", where=where, expected="JSON as Wavewright writes it") from fault


def check_line(plain: Any, *, where: Place) -> None:
    """Check a line of an exported file.

    Raises
    ------
    FileFault : it is none; every key that is wrong is named.
    """
    _check(LineForm, plain, where=where)
    check_texts(plain["outcome"], where=where, path="outcome.")


def check_outcome(plain: Any, *, where: Place) -> None:
    """Check an outcome as a run has written it.

    Raises
    ------
    FileFault : it is none; every key that is wrong is named.
    """
    _check(OutcomeForm, plain, where=where)


def _check(form: Hashable, plain: Any, *, where: Place) -> None:
    try:
        _adapter(form).validate_python(plain, strict=True)
    except ValidationError as fault:
        errors = fault.errors(include_url=False, include_context=True)
        raise FileFault.joined([_fault(one, where) for one in errors[:MOST_TOLD]]) from None
    except RecursionError:
        raise FileFault("brackets nested too deeply", where=where, expected="an outcome of Wavewright") from None


@cache
def _adapter(form: Hashable) -> TypeAdapter[Any]:
    kind: Any = form
    return TypeAdapter(kind)


def _fault(error: ErrorDetails, where: Place) -> FileFault:
    path = key_path(error["loc"])
    expected = error["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    if error["type"] == "missing":
        return FileFault(f"key `{path}` is missing", where=where, expected="an outcome as Wavewright writes it")
    return FileFault(
        f"`{path}`: {_shown(error['input'])}" if path else _shown(error["input"]), where=where, expected=expected
    )


def key_path(keys: Sequence[int | str]) -> str:
    """Where a value is: `outcome.measurements[0].results[1].limit`."""
    return "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in keys).lstrip(".")


def _shown(value: object) -> str:
    text = ascii(value) if isinstance(value, str) else repr(value)
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"


def check_texts(outcome: Mapping[str, Any], *, where: Place, path: str = "") -> None:
    """Whether each recipe, bench, profile and file of corrections still has the hash that is beside it.

    Parameters
    ----------
    outcome : checked already; path : where it is.

    Raises
    ------
    FileFault : one has not; each of them is named.
    """
    origins = {name: outcome[name] for name in ("recipe", "bench", "corrections") if name in outcome}
    origins |= {f"profiles.{name}": origin for name, origin in outcome["profiles"].items()}
    faults = [
        FileFault(
            f"`{path}{name}.text` does not have the hash `{path}{name}.sha256`: one of them was changed",
            where=where,
            expected="the text that the run was made from",
        )
        for name, origin in origins.items()
        if hashlib.sha256(origin["text"].encode()).hexdigest() != origin["sha256"]
    ]
    if faults:
        raise FileFault.joined(faults)


def _refused(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a number")
