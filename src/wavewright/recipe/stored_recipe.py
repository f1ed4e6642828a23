"""The recipe of an earlier run, as the logbook and the evidence keep it: in the words of its day.

What people write today is refused in an earlier spelling, with the one of today. A run that was recorded with it must
still be recomputed, so its text is read in today's words where it cannot be read as it stands.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import replace

from wavewright.errors import FileFault
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.recipe import Recipe

_KEYS = (
    (re.compile(r"(?<![\w\"'])contains(?=\s*:)"), "holds"),
    (re.compile(r"(?<![\w\"'])hold_off(?=\s*:)"), "holdoff"),
    (re.compile(r"(\bmask\s*:\s*\{[^{}]*?)(?<!\w)voltage(?=\s*:)"), r"\1level"),
    (re.compile(r"(\bmask\s*:\s*\n(?:\s+(?:around|time)\s*:[^\n]*\n)*\s+)voltage(?=\s*:)"), r"\1level"),
    (re.compile(r"(?<![\w\"'])convention(\s*:\s*)thomas\b"), r"convention\1inverted"),
)
_SEARCHES = (
    (re.compile(r"\b(\w+)\s+in\s+([^\s\"']+?)\s*\.\.\s*([^\s\"')]+)"), r"\1 between \2 and \3"),
    (re.compile(r"\b(\w+)\s*~\s*(?=\\?[\"'])"), r"\1 like_regex "),
    (re.compile(r"\b(\w+)\s*!=\s*"), r"\1 <> "),
    (re.compile(r"\bcontains\s+(?=\\?[\"'])"), "holds "),
)


def parse_stored_recipe(text: str, name: str, *, set: Mapping[str, str] | None = None) -> Recipe:
    """Read the recipe of an earlier run; as `parse_recipe`, and earlier spellings are read too.

    The recipe that is given back has the text that was stored, and its hash.

    Raises
    ------
    FileFault, Misuse : as `parse_recipe`, about the text as it was stored.
    """
    try:
        return parse_recipe(text, name, set=set)
    except FileFault as fault:
        today = in_words_of_today(text)
        if today == text:
            raise
        try:
            recipe = parse_recipe(today, name, set=set)
        except FileFault:
            raise fault from None
    return replace(recipe, text=text, sha256=hashlib.sha256(text.encode()).hexdigest())


def in_words_of_today(text: str) -> str:
    """A recipe whose searches for frames, and keys with another name today, are spelt as they are today.

    Examples
    --------
    >>> in_words_of_today('keep_if: {line: {contains: "11 03"}}')
    'keep_if: {line: {holds: "11 03"}}'
    >>> in_words_of_today("find: 'address in 0x40..0x4F and kind != read'")
    "find: 'address between 0x40 and 0x4F and kind <> read'"
    """
    for earlier, today in (*_KEYS, *_SEARCHES):
        text = earlier.sub(today, text)
    return text
