"""`keep_if:` and `expect:`: what the frames of a decoded line must hold."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from pydantic import BaseModel, ConfigDict, Field

from wavewright.buses.expectation import Expectation
from wavewright.errors import Misuse, Place
from wavewright.quantities import read_quantity
from wavewright.recipe.fields import Line
from wavewright.recipe.places import Block, Word
from wavewright.recipe.scope import Scope

WITHIN = '`20 shots`, `30 s`, or both: `"20 shots, 30 s"`'
WAYS = '`contains: "11 03"`, `text: "OK"` or `find: "address = 0x48"`'


class ExpectationEntry(BaseModel):
    """What the frames of a line must hold; of several conditions, all."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    contains: Line | None = Field(default=None, description="bytes one after the other, in hex: 11 03")
    text: Line | None = Field(default=None, description="characters one after the other")
    find: Line | None = Field(default=None, description="a search that a frame must fulfil: address = 0x48 and nack")


class KeepIfEntry(BaseModel):
    """Take shots until one fulfils the condition on each named line, and keep that one only."""

    model_config = ConfigDict(extra="allow", frozen=True)

    within: Line = Field(description=f"when to give up: {WITHIN}")


@dataclass(frozen=True, slots=True)
class KeepIf:
    """A trigger in software: shots are taken until one fulfils every condition, and the others are not kept.

    Parameters
    ----------
    conditions : by the name of the decoded line.
    shots, time : when to give up: number of shots, s; at least one of them is given.
    """

    conditions: Mapping[str, Expectation]
    shots: int | None = None
    time: float | None = None
    place: Place | None = field(default=None, compare=False)


def read_keep_if(tree: Block, scope: Scope) -> KeepIf | None:
    """The `keep_if:` block of a measurement; None if there is none, or a fault in it."""
    if "keep_if" not in tree:
        return None
    block, where = tree.block("keep_if"), tree.value_place("keep_if")
    before = len(scope.faults)
    strays = tuple(name for name in block if name[:1].isdigit() and block[name] is None)
    for name in strays:
        do = "put both limits in quotes: between { and } a comma ends an entry"
        scope.note(
            f"`{name}` in `keep_if` is no line", where=block.key_place(name), expected=f"`within:` {WITHIN}", do=do
        )
    conditions = _conditions(block, scope, key="keep_if", apart=("within", *strays))
    shots: int | None = None
    time: float | None = None
    within = block.word("within")
    if within is None:
        scope.note("`keep_if` does not say when to give up", where=where, expected=f"`within:` {WITHIN}")
    else:
        with scope.placed(within.place):
            shots, time = _within(within)
    if not conditions and len(scope.faults) == before:
        scope.note("`keep_if` names no line", where=where, expected=f"`line:` with {WAYS}")
    return KeepIf(conditions, shots, time, where) if len(scope.faults) == before else None


def read_expectations(tree: Block, scope: Scope) -> dict[str, Expectation]:
    """The `expect:` block of a measurement: a condition by the name of the decoded line."""
    block = tree.block("expect")
    if "expect" in tree and not block:
        scope.note("`expect` names no line", where=tree.value_place("expect"), expected=f"`line:` with {WAYS}")
    return _conditions(block, scope, key="expect")


def _conditions(block: Block, scope: Scope, *, key: str, apart: tuple[str, ...] = ()) -> dict[str, Expectation]:
    found: dict[str, Expectation] = {}
    for name in [name for name in block if name not in apart]:
        entry, place = block.block(name), block.key_place(name)
        scope.refers(Word(name, place), scope.lines, where=place, kind="decoded line")
        before = len(scope.faults)
        scope.validated(entry, ExpectationEntry, key, str(name))
        written = {str(word): str(value) for word, value in entry.items() if isinstance(value, Word)}
        says = scope.says(str(name))
        for word in [word for word in written if word in ExpectationEntry.model_fields]:
            value = entry.word(word)
            with scope.placed(value.inside if word == "find" and value is not None else entry.value_place(word)):
                expectation = Expectation.read({word: written[word]})
                if says is not None:
                    expectation.check(says)
        if not written and len(scope.faults) == before:
            scope.note(f"`{name}` has no condition", where=block.value_place(name), expected=WAYS)
        if len(scope.faults) == before:
            found[str(name)] = Expectation.read(written)
    return found


def _within(text: str) -> tuple[int | None, float | None]:
    """Shots and time of `20 shots, 30 s`, either of which may be missing.

    Raises
    ------
    Misuse : it is neither.
    """
    shots: int | None = None
    time: float | None = None
    for part in text.split(","):
        words = part.split()
        if words and words[-1] in {"shots", "shot"} and shots is None:
            number = read_quantity(" ".join(words[:-1]), unit="").value
            if number < 1 or number != int(number):
                raise Misuse(f"`{part.strip()}` is no number of shots", expected=WITHIN)
            shots = int(number)
        elif words and words[-1] not in {"shots", "shot"} and time is None:
            if re.fullmatch(r"[\d.]+", part.strip()):
                raise Misuse(f"`{text}` has no unit", expected=WITHIN, do=f"write `{part.strip()} shots`")
            time = read_quantity(part, unit="s", least=1e-3).value
        else:
            raise Misuse(f"`{text}` is no limit to waiting", expected=WITHIN)
    return shots, time
