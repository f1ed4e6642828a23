"""How earlier versions spelt keys, words and signs: one table for all of them, each with the spelling of today.

What a person writes in an earlier spelling is refused with the one of today. What was stored with it, a recipe in the
logbook or a profile on a disk, is still read. A new name is one entry here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from wavewright.errors import Misuse


@dataclass(frozen=True, slots=True)
class EarlierSpelling:
    """One spelling of earlier versions.

    Parameters
    ----------
    today : what is written in its place; `{field}` stands for the word before it.
    rewritten : where it is in the text of a stored recipe, each pattern with what takes its place.
    """

    today: str
    rewritten: tuple[tuple[str, str], ...] = ()

    def refusal(self, what: str, *, field: str = "") -> Misuse:
        """The error for it: `what` it was, and the spelling of today."""
        today = self.today.format(field=field).strip()
        return Misuse(what, expected=f"`{today}`", do=f"write `{today}`")


_KEY = r"(?<![\w\"'])"
EXPECTATIONS: Mapping[str, EarlierSpelling] = MappingProxyType(
    {"contains": EarlierSpelling("holds", ((_KEY + r"contains(?=\s*:)", "holds"),))}
)
"""Keys of what frames must hold."""
MASKS: Mapping[str, EarlierSpelling] = MappingProxyType(
    {
        "voltage": EarlierSpelling(
            "level",
            (
                (r"(\bmask\s*:\s*\{[^{}]*?)(?<!\w)voltage(?=\s*:)", r"\1level"),
                (r"(\bmask\s*:\s*\n(?:\s+(?:around|time)\s*:[^\n]*\n)*\s+)voltage(?=\s*:)", r"\1level"),
            ),
        ),
    }
)
"""Keys of masks."""
OPTIONS: Mapping[str, EarlierSpelling] = MappingProxyType(
    {
        "hold_off": EarlierSpelling("holdoff", ((_KEY + r"hold_off(?=\s*:)", "holdoff"),)),
        "thomas": EarlierSpelling("inverted", ((_KEY + r"convention(\s*:\s*)thomas\b", r"convention\1inverted"),)),
    }
)
"""Options of metrics and buses, and their values."""
QUIRKS: Mapping[str, EarlierSpelling] = MappingProxyType({"repeats_questions": EarlierSpelling("repeats_queries")})
"""Keys of a profile's quirks."""
ACCURACIES: Mapping[str, EarlierSpelling] = MappingProxyType({"noise": EarlierSpelling("noise_floor")})
"""Keys of what a profile states of an instrument's errors."""
SEARCHES: Mapping[str, EarlierSpelling] = MappingProxyType(
    {
        "in": EarlierSpelling(
            "{field} between LOW and HIGH",
            ((r"\b(\w+)\s+in\s+([^\s\"']+?)\s*\.\.\s*([^\s\"')]+)", r"\1 between \2 and \3"),),
        ),
        "~": EarlierSpelling('{field} like_regex "PATTERN"', ((r"\b(\w+)\s*~\s*(?=\\?[\"'])", r"\1 like_regex "),)),
        "!=": EarlierSpelling("{field} <> VALUE", ((r"\b(\w+)\s*!=\s*", r"\1 <> "),)),
        "contains": EarlierSpelling('{field} holds "11 03"', ((r"\bcontains\s+(?=\\?[\"'])", "holds "),)),
    }
)
"""Words and signs of searches over frames."""


def names_of_today(table: Mapping[str, EarlierSpelling]) -> Mapping[str, str]:
    """Each earlier key of a table with the one of today."""
    return MappingProxyType({key: spelling.today for key, spelling in table.items()})


def in_words_of_today(text: str) -> str:
    """A recipe whose searches for frames, and keys with another name today, are spelt as they are today.

    Examples
    --------
    >>> in_words_of_today('keep_if: {line: {contains: "11 03"}}')
    'keep_if: {line: {holds: "11 03"}}'
    >>> in_words_of_today("find: 'address in 0x40..0x4F and kind != read'")
    "find: 'address between 0x40 and 0x4F and kind <> read'"
    """
    for table in (EXPECTATIONS, MASKS, OPTIONS, SEARCHES):
        for spelling in table.values():
            for pattern, today in spelling.rewritten:
                text = re.sub(pattern, today, text)
    return text
