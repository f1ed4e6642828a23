"""The recipe of an earlier run, as the logbook and the evidence keep it: in the words of its day.

What people write today is refused in an earlier spelling, with the one of today. A run that was recorded with it must
still be recomputed, so its text is read in today's words where it cannot be read as it stands.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace

from wavewright.earlier_spellings import in_words_of_today
from wavewright.errors import FileFault
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.recipe import Recipe


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
