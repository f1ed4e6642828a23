"""What the program of `watch` and its page say to each other: frozen messages, JSON both ways, checked on arrival.

One WebSocket per page. From the program: text messages with the key `kind`; after each `shot` and each `density`
follows one binary message. From the page: text messages with the key `do`. What the page sends and nobody can use is
refused in words, by a `said` of level `refused`; it never ends the connection.

`picture` of a `shot` is `Picture.as_document(has_samples=False)`, and the binary message after it `Picture.samples()`:
`fillSamples(shot.picture, buffer)` of the chart script joins them, and `drawChart` draws the result. For each entry of
`traces`, in the order of the picture: where `is_whole`, `points` samples; else the lowest, the highest and the mean of
`points` columns. All float32, little endian; the lowest and highest are those of all samples, so none is hidden.

Binary after `density`: uint32, little endian, `rows * columns` counts, row after row, the lowest level first.

Changes of this file are announced here:
- the page loads `chart.js` and `chart.css` from beside itself: all of the chart script and style, library included.
- `shot`, `readings`, `density` and `frames` have `revision`, that of the `recipe` that they were measured by: a page
  says so if it is older than the text on the screen, and lets older densities and frames go.
- `drawn {number}` says that a shot is on the screen; from the first one on, a page is sent the next only after that.
- `alive` is answered with `state`; `outputs {confirm: false}` is taken from any page, with or without the hand.
- what a page may ask for is in `page_requests`, one class per word.
- `whole_view {columns}` shows all of the record, whatever its span becomes; `view` shows a part that stays.
- `edit`, `nudge`, `span_from_view`, `add_metric`, `limits_from_last`, `undo` and `redo` may carry `revision`, that of
  the `recipe` on the screen; one that is not the newest is refused, and nothing is changed. `text` must carry it.
- `found` answers `next`: `{what, text, start, end, shot}`; the page moves its view there. Where nothing is found, a
  `said` says so.
- `shot` has `traces`: `{name, unit, is_reference, is_whole, points}`, and `of`: how many there were since the last
  change.
- `recipe` has `path`, and `numbers` have `steps`: whether `nudge` works, and `changes_output`: whether a change of it
  switches outputs off and asks for a new confirmation.
- `outputs` may carry `revision`; one that is not the newest is refused: what was confirmed is not what would happen.
- `state` has `pictures` of where the probes go: `file` is what a page loads from beside itself, another one for another
  content; `fault` says why there is none.
- `state` has `measurements`, the labels to choose from, `measurement`, the one that is shown, `cautions` of the recipe,
  to be shown before `outputs` is confirmed, `file`, the stored record in place of a bench, and `patience`, s, after
  which outputs go off when `alive` stays away; `outputs.off_at` is the UTC time in s since 1970 at which they do so
  unless the page says something until then, null while none is on.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, ClassVar, Literal

Doing = Literal["running", "holding", "single", "waiting", "stopped", "faulty"]
Level = Literal["note", "refused", "warning", "fault"]
HandOf = Literal["yours", "other", "free"]


@dataclass(frozen=True, slots=True)
class ShownFault:
    """One fault of the recipe: line and column from 1, 0 where it has none; the text, and the cure."""

    line: int
    column: int
    text: str
    cure: str = ""


@dataclass(frozen=True, slots=True)
class ShownNumber:
    """A number of the recipe that can be changed from the page.

    `line`, `column` from 1, of its first character; `length` in characters; `text` as it stands there; `step_up` and
    `step_down`: what one step of `nudge` would make of it, empty where there is none.
    """

    id: str
    line: int
    column: int
    length: int
    text: str
    unit: str
    role: str
    step_up: str = ""
    step_down: str = ""
    steps: bool = True
    changes_output: bool = False


@dataclass(frozen=True, slots=True)
class ShownRow:
    """One reading: its value with unit, the interval of the true value, limit, margin, verdict, and each doubt."""

    label: str
    reading: str
    interval: str = ""
    limit: str = ""
    margin: str = ""
    verdict: str = ""
    reason: str = ""
    doubts: tuple[Mapping[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class ShownTrace:
    """One trace of a `shot`: a channel, one derived from channels, or the reference that was kept."""

    name: str
    unit: str
    is_reference: bool = False
    is_whole: bool = False
    points: int = 0


@dataclass(frozen=True, slots=True)
class ShownFrame:
    """One frame: its begin and end, s, what it says, its fields, and what is wrong with it."""

    time: float
    end: float
    label: str
    fields: Mapping[str, Any]
    flags: tuple[str, ...] = ()
    line: str = ""


@dataclass(frozen=True, slots=True)
class ShownOutputs:
    """What is known of the outputs that the measurement switches on: `asked` for, `confirmed` by the person, `on`;

    `steps` : what the measurement does with them, a sentence each, to be shown before they are confirmed."""

    asked: bool = False
    confirmed: bool = False
    on: bool = False
    off_at: float | None = None
    steps: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ShownPicture:
    """A picture of where the probes go: its name in the recipe, what to load, its size in pixels; or what is wrong."""

    name: str
    file: str = ""
    width: int = 0
    height: int = 0
    fault: str = ""


@dataclass(frozen=True, slots=True)
class PageMessage:
    """What the program sends; `simulated` is said with every one of them."""

    kind: ClassVar[str] = ""
    simulated: bool

    def as_json(self) -> str:
        """One line of JSON. Numbers that JSON cannot hold, infinity and NaN, become null."""
        plain = {"kind": self.kind, **_finite(asdict(self))}
        return json.dumps(plain, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


@dataclass(frozen=True, slots=True)
class RecipeMessage(PageMessage):
    """The recipe as it stands in its file."""

    kind: ClassVar[str] = "recipe"
    name: str
    path: str
    revision: int
    text: str
    faults: tuple[ShownFault, ...] = ()
    numbers: tuple[ShownNumber, ...] = ()
    undo: bool = False
    redo: bool = False
    from_outside: bool = False


@dataclass(frozen=True, slots=True)
class ShotMessage(PageMessage):
    """One shot; a binary message with its columns follows."""

    kind: ClassVar[str] = "shot"
    measurement: str
    number: int
    of: int
    columns: int
    start: float
    span: float
    traces: tuple[ShownTrace, ...]
    picture: Mapping[str, Any] = field(default_factory=dict)
    revision: int = 0


@dataclass(frozen=True, slots=True)
class ReadingsMessage(PageMessage):
    """The readings of a measurement, over as many shots as it has, the newest ones."""

    kind: ClassVar[str] = "readings"
    measurement: str
    rows: tuple[ShownRow, ...]
    verdict: str = ""
    shots: int = 0
    wanted: int = 0
    revision: int = 0


@dataclass(frozen=True, slots=True)
class DensityMessage(PageMessage):
    """All shots since the last change over one another; a binary message with the counts follows."""

    kind: ClassVar[str] = "density"
    measurement: str
    channel: str
    unit: str
    rows: int
    columns: int
    start: float
    span: float
    lowest: float
    highest: float
    shots: int
    most: int
    rare: tuple[Mapping[str, Any], ...] = ()
    revision: int = 0


@dataclass(frozen=True, slots=True)
class FramesMessage(PageMessage):
    """What was said on the decoded lines in the shot that is shown; `all` counts those that are left out too."""

    kind: ClassVar[str] = "frames"
    measurement: str
    rows: tuple[ShownFrame, ...]
    all: int = 0
    revision: int = 0


@dataclass(frozen=True, slots=True)
class StateMessage(PageMessage):
    """What the program is doing."""

    kind: ClassVar[str] = "state"
    doing: Doing
    message: str = ""
    shots: int = 0
    rate: float = 0.0
    hand: HandOf = "free"
    watchers: int = 0
    outputs: ShownOutputs = ShownOutputs()
    measurement: str = ""
    measurements: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    place: str = ""
    pictures: tuple[ShownPicture, ...] = ()
    file: str = ""
    patience: float = 0.0


@dataclass(frozen=True, slots=True)
class FoundMessage(PageMessage):
    """The place that `next` asked for."""

    kind: ClassVar[str] = "found"
    what: str
    text: str
    start: float
    end: float
    shot: int = 0


@dataclass(frozen=True, slots=True)
class SaidMessage(PageMessage):
    """A sentence for the person: a note, a refusal, a warning, a fault."""

    kind: ClassVar[str] = "said"
    level: Level
    text: str


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _finite(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(inner) for inner in value]
    return value
