"""What the address of a page says: which runs, and what of them; and addresses of other pages."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import parse_qsl, quote, urlencode

from wavewright.errors import Misuse
from wavewright.logbook.columns.declared_columns import DeclaredColumns
from wavewright.logbook.columns.run_columns import RunColumns
from wavewright.logbook.filter_words import DECLARED, FILTER_WORDS, read_declared, read_filter
from wavewright.logbook.queries import Filter
from wavewright.nearest import unknown

SIMULATED = "simulated"
YES = "yes"
LONGEST = 300  # characters of a value: no name of ours is longer
MOST_WORDS = 40
SOUGHT, NAMED = 200, 12  # values that a wrong one is compared with, and those that are named
Words = Mapping[str, str | tuple[str, ...]]
"""The words of an address; one that is given more than once has each of its values."""


@dataclass(frozen=True, slots=True)
class PageAddress:
    """A page that was asked for.

    Parameters
    ----------
    page : its name; which : the filter.
    simulated : whether runs on simulated benches are wanted where there are real ones.
    filters : the words of the filter as they were written; words : those that only this page has.
    declared : the declared fields of the filter as they were written, `work_order=WO-000123`.
    """

    page: str
    which: Filter = field(default_factory=Filter)
    simulated: bool = False
    filters: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    declared: tuple[str, ...] = ()

    @property
    def is_filtered(self) -> bool:
        """Whether any filter is given."""
        return bool(self.filters or self.declared)

    @property
    def kept_words(self) -> dict[str, str | tuple[str, ...]]:
        """The filters and `simulated`, for the addresses of pages that a link leads to."""
        found: dict[str, str | tuple[str, ...]] = dict(self.filters)
        if self.declared:
            found[DECLARED] = self.declared
        if self.simulated:
            found[SIMULATED] = YES
        return found

    def without(self, word: str) -> str:
        """The address of the same page with one word less."""
        left = {name: text for name, text in {**self.words, **self.kept_words}.items() if name != word}
        return page_address(self.page, left)

    def without_declared(self, written: str) -> str:
        """The address of the same page with one declared field less."""
        left = replace(self, declared=tuple(one for one in self.declared if one != written))
        return page_address(self.page, {**self.words, **left.kept_words})

    def to(self, page: str, **changed: str | None) -> str:
        """The address of another page with the same filters.

        Parameters
        ----------
        changed : words to be added or replaced, `_` in place of `-`; None takes one out.
        """
        words: dict[str, str | tuple[str, ...] | None] = {**self.kept_words}
        words |= {name.replace("_", "-"): text for name, text in changed.items()}
        return page_address(page, {name: text for name, text in words.items() if text is not None})


def page_address(page: str, words: Words) -> str:
    """An address beside all the others: `day?station=line_2`."""
    return f"{page}?{urlencode(words, doseq=True, quote_via=quote)}" if words else page


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
    known = (*sorted(words), *filters, *(() if DECLARED in without else (DECLARED,)), SIMULATED)
    given: dict[str, str] = {}
    fields: list[str] = []
    for word, text in pairs:
        if word not in known:
            raise unknown(f"`{word[:LONGEST]}` in the address", word, known)
        if word in given and word != DECLARED:
            raise Misuse(f"`{word}` is twice in the address", expected="each word once")
        if len(text) > LONGEST or any(unicodedata.category(letter) == "Cc" for letter in text):
            raise Misuse(f"the value of `{word}`", expected=f"at most {LONGEST} characters, none of them for control")
        if text and word == DECLARED:
            fields.append(text)
        elif text:  # a form sends what was not filled in as well
            given[word] = text
    if given.get(SIMULATED, YES) != YES:
        raise Misuse(f"`{SIMULATED}={given[SIMULATED]}`", expected=f"`{SIMULATED}={YES}`, or without it")
    written = {word: given[word] for word in filters if word in given}
    which = read_filter(
        {FILTER_WORDS[word]: text for word, text in written.items()}, written=lambda word, text: f"{word}={text}"
    )
    own = {word: text for word, text in given.items() if word in words}
    declared = read_declared(fields, written=lambda text: f"{DECLARED}={text}")
    kept = tuple(f"{name}={text}" for name, text in declared)
    return PageAddress(page, replace(which, declared=declared), SIMULATED in given, written, own, kept)


def check_names(which: Filter, runs: RunColumns, declared: Callable[[], DeclaredColumns]) -> None:
    """Refuse a filter that names what no run has: an empty table would look like a result.

    Parameters
    ----------
    declared : the declared fields of the runs, for a filter that asks for any.

    Raises
    ------
    Misuse : names what there is instead.
    """
    names = {field: word for word, field in FILTER_WORDS.items()}
    for name in ("part", "recipe", "operator", "station", "batch"):
        word: Any = getattr(which, name)
        if word is not None and runs.lists[name].number(word) < 0:
            raise unknown(f"no run has `{names[name]}={word}`", word, runs.known(name)[:12])
    for name, text in which.declared:
        fields = declared()
        if name not in fields.numbers:
            raise unknown(f"no run declares `{name}`", name, fields.names)
        if not (fields.lists[name].meant_by(text) > 0).any():
            newest = fields.texts(name)[:-SOUGHT:-1]
            expected = f"{name} as runs declare it, the newest ones: {', '.join(newest[:NAMED])}"
            do = "" if "*" in text else None
            raise unknown(f"no run has `{DECLARED}={name}={text}`", text, newest, expected=expected, do=do)
    if which.serial is not None and not runs.chosen(Filter(serial=which.serial)).size:
        raise unknown(
            f"no run of a unit `{which.serial}`", which.serial, runs.known("serial"), expected="a serial number"
        )
