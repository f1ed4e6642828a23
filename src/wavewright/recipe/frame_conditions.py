"""`keep_if:` and `expect:`: what the frames of a decoded line must hold."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from pydantic import BaseModel, ConfigDict, Field

from wavewright.buses.expectation import Expectation
from wavewright.errors import FileFault, Misuse, Place
from wavewright.quantities import read_quantity
from wavewright.recipe.fields import Line
from wavewright.recipe.model_reading import validated
from wavewright.recipe.noting import placed, unknown_names
from wavewright.recipe.places import Block, Word, place_of

WITHIN = "`20 shots`, `30 s`, or both: `20 shots, 30 s`"
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


def read_keep_if(tree: Block, lines: Mapping[str, object], faults: list[FileFault], *, owner: str) -> KeepIf | None:
    """The `keep_if:` block of a measurement; `lines` are the names of the decoded lines."""
    if "keep_if" not in tree:
        return None
    block, where = tree.block("keep_if"), tree.value_place("keep_if")
    before = len(faults)
    conditions = _conditions(block, lines, faults, owner=f"measurements.{owner}.keep_if", apart=("within",))
    shots: int | None = None
    time: float | None = None
    if block.word("within") is None:
        faults.append(FileFault("`keep_if` does not say when to give up", where=where, expected=f"`within:` {WITHIN}"))
    with placed(faults, block.value_place("within")):
        shots, time = _within(block.word("within") or "1 shots")
    if not conditions and len(faults) == before:
        faults.append(FileFault("`keep_if` names no line", where=where, expected=f"`line:` with {WAYS}"))
    return KeepIf(conditions, shots, time, where) if len(faults) == before else None


def read_expectations(
    tree: Block, lines: Mapping[str, object], faults: list[FileFault], *, owner: str
) -> dict[str, Expectation]:
    """The `expect:` block of a measurement: a condition by the name of the decoded line."""
    if "expect" not in tree:
        return {}
    if not tree.block("expect"):
        faults.append(
            FileFault("`expect` names no line", where=tree.value_place("expect"), expected=f"`line:` with {WAYS}")
        )
    return _conditions(tree.block("expect"), lines, faults, owner=f"measurements.{owner}.expect")


def _conditions(
    block: Block, lines: Mapping[str, object], faults: list[FileFault], *, owner: str, apart: tuple[str, ...] = ()
) -> dict[str, Expectation]:
    found: dict[str, Expectation] = {}
    for name, entry in block.items():
        if name in apart:
            continue
        word = Word(name, block.key_place(name))
        unknown = list(unknown_names(word, lines, where=word.place, kind="decoded line"))
        faults.extend(unknown)
        if not isinstance(entry, Block):
            faults.append(FileFault(f"`{name}` has no condition", where=place_of(entry) or word.place, expected=WAYS))
            continue
        before = len(faults)
        try:
            validated(entry, ExpectationEntry, owner=f"{owner}.{name}")
        except FileFault as fault:
            faults.extend(fault.faults)
        written = {key: str(value) for key, value in entry.items() if isinstance(value, Word)}
        for key in written.keys() & ExpectationEntry.model_fields.keys():
            with placed(faults, entry.value_place(key)):
                Expectation.read({key: written[key]})
        if not written and len(faults) == before:
            faults.append(FileFault(f"`{name}` has no condition", where=word.place, expected=WAYS))
        if len(faults) == before:
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
