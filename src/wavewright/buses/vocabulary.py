"""What the frames of a bus can say at all: their kinds, their fields, their errors, each a closed set.

A search for `eror` would hold for no frame and `not eror` for every one, so that a slip of the pen passes any line.
Each bus and each layer states its words where it is entered into the catalogue, and recipes, searches and metrics are
checked against them before anything is decoded.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import Enum, StrEnum

from wavewright.buses.frame import ERRORS
from wavewright.errors import Misuse
from wavewright.nearest import unknown


class Spoken(Enum):
    """Annotation of an option that is in the words of the bus: `Annotated[str, Spoken.ERROR]`."""

    ERROR = "an error word"
    SEARCH = "a search"


class Holds(StrEnum):
    """What a field holds, which decides what it can be compared with."""

    NUMBER = "number"
    TIME = "time"
    FLAG = "flag"
    TEXT = "text"
    BYTES = "bytes"
    LIST = "list"


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a frame.

    Parameters
    ----------
    least, most : of a number or a time (s): what lies outside is in no frame.
    words : all that a text can be; empty: anything.
    is_optional : only some frames have it, and its name alone asks for those.
    """

    holds: Holds
    least: float = -math.inf
    most: float = math.inf
    words: tuple[str, ...] = ()
    is_optional: bool = False


def number(least: float, most: float, *, optional: bool = False) -> Field:
    """A whole number from `least` to `most`."""
    return Field(Holds.NUMBER, least, most, is_optional=optional)


def words(said: Iterable[str], *, optional: bool = False) -> Field:
    """One of some words."""
    return Field(Holds.TEXT, words=tuple(said), is_optional=optional)


FLAG, BYTES, TEXT, LIST = Field(Holds.FLAG), Field(Holds.BYTES), Field(Holds.TEXT), Field(Holds.LIST)
OCTET, WORD = number(0, 0xFF), number(0, 0xFFFF)
TIMES: Mapping[str, Field] = {
    "start": Field(Holds.TIME),
    "end": Field(Holds.TIME),
    "duration": Field(Holds.TIME, least=0.0),
}
"""What every frame has, in s."""


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """All that the frames of a bus, or of a layer on it, can say.

    Parameters
    ----------
    of : what speaks so, for messages.
    kinds : words of `Frame.kind`.
    fields : by name, without those that every frame has.
    errors : words of `Frame.errors`.
    """

    kinds: tuple[str, ...]
    fields: Mapping[str, Field] = field(default_factory=dict)
    errors: tuple[str, ...] = ()
    of: str = ""

    def __post_init__(self) -> None:
        if strays := [word for word in self.errors if word not in ERRORS]:
            raise Misuse(f"error word `{strays[0]}` is not explained", expected="a word of `ERRORS`")

    def above(self, below: Vocabulary, *, of: str) -> Vocabulary:
        """The words of a layer, whose frames have the errors of the frames that they are made of too."""
        return Vocabulary(self.kinds, self.fields, tuple(dict.fromkeys((*below.errors, *self.errors))), of)

    def check_error(self, word: str) -> None:
        """Refuse what is not an error word.

        Raises
        ------
        Misuse : names the nearest, and all that there are.
        """
        if word not in self.errors:
            raise unknown(f"there is no error word `{word}` for {self.of}", word, self.errors)
