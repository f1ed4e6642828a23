"""`keep_if:` and `expect:`: what the frames of a decoded line must hold."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from pydantic import BaseModel, ConfigDict, Field

from wavewright.buses.expectation import Expectation
from wavewright.earlier_spellings import EXPECTATIONS
from wavewright.errors import Misuse, Place
from wavewright.grammar.located_yaml import YamlMapping, YamlScalar
from wavewright.grammar.word_fields import Line
from wavewright.quantities import read_quantity
from wavewright.recipe.name_checks import NameChecks

WITHIN = '`20 shots`, `30 s`, or both: `"20 shots, 30 s"`'
WAYS = '`holds: "11 03"`, `text: "OK"` or `find: "address = 0x48"`'


class ExpectationEntry(BaseModel):
    """What the frames of a line must hold; of several conditions, all."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    holds: Line | None = Field(default=None, description="consecutive bytes, in hex: 11 03", examples=["11 03"])
    text: Line | None = Field(default=None, description="consecutive characters", examples=["OK"])
    find: Line | None = Field(
        default=None,
        description="a search that a frame must fulfil: address = 0x48 and nack",
        examples=["address = 0x48 and nack"],
    )


class KeepIfEntry(BaseModel):
    """Take shots until one fulfils the condition on each named line, and keep that one only."""

    model_config = ConfigDict(extra="allow", frozen=True, defer_build=True)

    within: Line = Field(description=f"when to give up: {WITHIN}", examples=["20 shots", "30 s", "20 shots, 30 s"])


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


def read_keep_if(tree: YamlMapping, checks: NameChecks) -> KeepIf | None:
    """The `keep_if:` block of a measurement; None if there is none, or a fault in it."""
    if "keep_if" not in tree:
        return None
    block, where = tree.mapping_at("keep_if"), tree.value_place("keep_if")
    before = len(checks.faults)
    strays = tuple(name for name in block if name[:1].isdigit() and block[name] is None)
    for name in strays:
        do = "put both limits in quotes: between { and } a comma ends an entry"
        checks.note_fault(
            f"`{name}` in `keep_if` is not a line", where=block.key_place(name), expected=f"`within:` {WITHIN}", do=do
        )
    conditions = _conditions(block, checks, key="keep_if", apart=("within", *strays))
    shots: int | None = None
    time: float | None = None
    within = block.scalar_at("within")
    if within is None:
        checks.note_fault("`keep_if` has no limit for waiting", where=where, expected=f"`within:` {WITHIN}")
    else:
        with checks.faults_placed_at(within.place):
            shots, time = _within(within)
    if not conditions and len(checks.faults) == before:
        checks.note_fault("`keep_if` does not name a line", where=where, expected=f"`line:` with {WAYS}")
    return KeepIf(conditions, shots, time, where) if len(checks.faults) == before else None


def read_expectations(tree: YamlMapping, checks: NameChecks) -> dict[str, Expectation]:
    """The `expect:` block of a measurement: a condition by the name of the decoded line."""
    block = tree.mapping_at("expect")
    if "expect" in tree and not block:
        checks.note_fault(
            "`expect` does not name a line", where=tree.value_place("expect"), expected=f"`line:` with {WAYS}"
        )
    return _conditions(block, checks, key="expect")


def _conditions(
    block: YamlMapping, checks: NameChecks, *, key: str, apart: tuple[str, ...] = ()
) -> dict[str, Expectation]:
    found: dict[str, Expectation] = {}
    for name in [name for name in block if name not in apart]:
        entry, place = block.mapping_at(name), block.key_place(name)
        checks.check_names(YamlScalar(name, place), checks.lines, where=place, kind="decoded line")
        before = len(checks.faults)
        earlier = [word for word in entry if word in EXPECTATIONS]
        for word in earlier:
            with checks.faults_placed_at(entry.key_place(word)):
                raise EXPECTATIONS[word].refusal(f"`{word}` is no longer a key")
        if earlier:
            continue
        checks.validated(entry, ExpectationEntry, key, str(name))
        written = {str(word): str(value) for word, value in entry.items() if isinstance(value, YamlScalar)}
        says = checks.says(str(name))
        for word in [word for word in written if word in ExpectationEntry.model_fields]:
            value = entry.scalar_at(word)
            with checks.faults_placed_at(
                value.inside if word == "find" and value is not None else entry.value_place(word)
            ):
                expectation = Expectation.read({word: written[word]})
                if says is not None:
                    expectation.check(says)
        if not written and len(checks.faults) == before:
            checks.note_fault(f"`{name}` has no condition", where=block.value_place(name), expected=WAYS)
        if len(checks.faults) == before:
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
                raise Misuse(f"`{part.strip()}` is not a number of shots", expected=WITHIN)
            shots = int(number)
        elif words and words[-1] not in {"shots", "shot"} and time is None:
            if re.fullmatch(r"[\d.]+", part.strip()):
                raise Misuse(f"`{text}` has no unit", expected=WITHIN, do=f"write `{part.strip()} shots`")
            time = read_quantity(part, unit="s", least=1e-3).value
        else:
            raise Misuse(f"`{text}` is not a time or a number of shots", expected=WITHIN)
    return shots, time
