"""`doubts:`: which doubts a recipe, a measurement or an entry allows, `{clipped: allow}`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from wavewright.analysis.doubts import Doubt
from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import YamlMapping
from wavewright.grammar.model_reading import refusal
from wavewright.judgement.doubting import DoubtRules
from wavewright.nearest import did_you_mean

WORDS: Mapping[str, bool] = MappingProxyType({"allow": True, "stop": False})
"""What is beside a doubt: it lets a reading pass, or it stops it, which is what it does where nothing is said."""
ABOUT_DOUBTS = "doubts that may let a reading pass: {clipped: allow}; `wavewright doubts` lists them"
KNOWN = tuple(doubt.value for doubt in Doubt)


def read_doubts(value: object) -> tuple[DoubtRules, tuple[FileFault, ...]]:
    """What `doubts:` says, and all that is wrong with it."""
    if not isinstance(value, Mapping):
        return {}, (FileFault(f"`{value}` where doubts are required", expected="such as `{clipped: allow}`"),)
    faults = tuple(_faults(value))
    rules = {Doubt(key): WORDS[word] for key, word in value.items() if key in KNOWN and word in WORDS}
    return rules, faults


def _faults(value: Mapping[Any, Any]) -> Iterator[FileFault]:
    for key, word in value.items():
        if key not in KNOWN:
            where = value.key_place(key) if isinstance(value, YamlMapping) else ""
            expected, do = f"one of {', '.join(KNOWN)}", did_you_mean(str(key).replace(" ", "_"), KNOWN)
            yield FileFault(f"unknown doubt `{key}`", where=where, expected=expected, do=do)
        elif word not in WORDS:
            where = value.value_place(key) if isinstance(value, YamlMapping) else ""
            yield FileFault(f"`{word}` beside the doubt `{key}`", where=where, expected=f"one of {', '.join(WORDS)}")


def _validated(value: object) -> DoubtRules:
    rules, faults = read_doubts(value)
    if faults:
        raise refusal(*(fault if fault.where else Misuse(fault.what, expected=fault.expected) for fault in faults))
    return rules


SCHEMA = {
    "type": "object",
    "additionalProperties": False,
    "properties": {doubt.value: {"enum": list(WORDS), "description": doubt.meaning} for doubt in Doubt},
}
Doubts = Annotated[Mapping[Doubt, bool], BeforeValidator(_validated), WithJsonSchema(SCHEMA)]
"""Field of a model that holds `doubts:`."""
