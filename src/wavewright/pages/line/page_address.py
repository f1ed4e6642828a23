"""What the address of a page says: which runs, and what of them; and addresses of other pages."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qsl, quote, urlencode

from wavewright.errors import Misuse
from wavewright.logbook.columns.run_columns import RunColumns
from wavewright.logbook.filter_words import FILTER_WORDS, read_filter
from wavewright.logbook.queries import Filter
from wavewright.nearest import unknown

SIMULATED = "simulated"
YES = "yes"
LONGEST = 300  # characters of a value: no name of ours is longer
MOST_WORDS = 40


@dataclass(frozen=True, slots=True)
class PageAddress:
    """A page that was asked for.

    Parameters
    ----------
    page : its name; which : the filter.
    simulated : whether runs on simulated benches are wanted where there are real ones.
    filters : the words of the filter as they were written; words : those that only this page has.
    """

    page: str
    which: Filter = field(default_factory=Filter)
    simulated: bool = False
    filters: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)

    @property
    def kept_words(self) -> dict[str, str]:
        """The filters and `simulated`, for the addresses of pages that a link leads to."""
        return {**self.filters, **({SIMULATED: YES} if self.simulated else {})}

    def without(self, word: str) -> str:
        """The address of the same page with one word less."""
        left = {name: text for name, text in {**self.words, **self.kept_words}.items() if name != word}
        return page_address(self.page, left)

    def to(self, page: str, **changed: str | None) -> str:
        """The address of another page with the same filters.

        Parameters
        ----------
        changed : words to be added or replaced, `_` in place of `-`; None takes one out.
        """
        words: dict[str, str | None] = {**self.kept_words}
        words |= {name.replace("_", "-"): text for name, text in changed.items()}
        return page_address(page, {name: text for name, text in words.items() if text is not None})


def page_address(page: str, words: Mapping[str, str]) -> str:
    """An address beside all the others: `day?station=line_2`."""
    return f"{page}?{urlencode(words, quote_via=quote)}" if words else page


def read_page_address(page: str, query: str, *, words: frozenset[str], without: frozenset[str]) -> PageAddress:
    """Read the part of an address after `?`.

    Parameters
    ----------
    words : that only this page has; without : filters that make no sense on it.

    Raises
    ------
    Misuse : a word that is not known, is given twice, or has a value that makes no sense.
    """
    try:
        pairs = parse_qsl(query, keep_blank_values=True, max_num_fields=MOST_WORDS, errors="strict")
    except ValueError as fault:
        raise Misuse(
            "the address cannot be read", expected=f"at most {MOST_WORDS} words, in UTF-8", do="follow a link here"
        ) from fault
    filters = [word for word in FILTER_WORDS if word not in without]
    known = (*sorted(words), *filters, SIMULATED)
    given: dict[str, str] = {}
    for word, text in pairs:
        if word not in known:
            raise unknown(f"`{word[:LONGEST]}` in the address", word, known)
        if word in given:
            raise Misuse(f"`{word}` is twice in the address", expected="each word once")
        if len(text) > LONGEST or any(unicodedata.category(letter) == "Cc" for letter in text):
            raise Misuse(f"the value of `{word}`", expected=f"at most {LONGEST} characters, none of them for control")
        if text:  # a form sends what was not filled in as well
            given[word] = text
    if given.get(SIMULATED, YES) != YES:
        raise Misuse(f"`{SIMULATED}={given[SIMULATED]}`", expected=f"`{SIMULATED}={YES}`, or without it")
    written = {word: given[word] for word in filters if word in given}
    which = read_filter(
        {FILTER_WORDS[word]: text for word, text in written.items()}, written=lambda word, text: f"{word}={text}"
    )
    own = {word: text for word, text in given.items() if word in words}
    return PageAddress(page, which, SIMULATED in given, written, own)


def check_names(which: Filter, runs: RunColumns) -> None:
    """Refuse a filter that names what no run has: an empty table would look like a result.

    Raises
    ------
    Misuse : names what there is instead.
    """
    names = {field: word for word, field in FILTER_WORDS.items()}
    for name in ("part", "recipe", "operator", "station", "batch"):
        word: Any = getattr(which, name)
        if word is not None and runs.lists[name].number(word) < 0:
            raise unknown(f"no run has `{names[name]}={word}`", word, runs.known(name)[:12])
    if which.serial is not None and not runs.chosen(Filter(serial=which.serial)).size:
        raise unknown(
            f"no run of a unit `{which.serial}`", which.serial, runs.known("serial"), expected="a serial number"
        )
