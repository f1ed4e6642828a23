"""The words that say which runs are meant, as options of a command and in the address of a page."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from types import MappingProxyType

from wavewright.errors import Misuse
from wavewright.grammar.word_fields import NAME_PATTERN
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.queries import Filter

FILTER_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "part": "part",
        "serial": "serial",
        "of-recipe": "recipe",
        "verdict": "verdict",
        "operator": "operator",
        "station": "station",
        "batch-name": "batch",
        "since": "since",
        "until": "until",
    }
)
"""By word, without the dashes of an option: what of a `Filter` it gives."""

DECLARED = "where"
"""The word that says what a run must declare, `NAME=VALUE`; it may be given more than once."""


def read_filter(words: Mapping[str, str | None], *, written: Callable[[str, str], str]) -> Filter:
    """The filter that words make; None where one is not given.

    Parameters
    ----------
    words : by what of a `Filter` they give.
    written : a word and its value as whoever wrote them sees them, for errors.

    Raises
    ------
    Misuse : a verdict or a time that is none.
    """
    names = {field: word for word, field in FILTER_WORDS.items()}
    given = {field: text for field, text in words.items() if text is not None}
    verdict = given.get("verdict")
    if verdict is not None and verdict not in list(Verdict):
        raise Misuse(f"`{written('verdict', verdict)}`", expected=f"one of {', '.join(Verdict)}")
    moments = {
        field: _moment(given.pop(field), written(names[field], words[field] or ""))
        for field in ("since", "until")
        if field in given
    }
    return Filter(**given, **moments)  # type: ignore[arg-type]  # each has its own type, by its name


def read_declared(words: Sequence[str], *, written: Callable[[str], str]) -> tuple[tuple[str, str], ...]:
    """The declared fields that words ask for, names and texts; what is asked twice is one.

    Parameters
    ----------
    words : `NAME=VALUE`.
    written : one of them as whoever wrote it sees it, for errors.

    Raises
    ------
    Misuse : one is not a name with a value.
    """
    found = dict[tuple[str, str], None]()
    for word in words:
        name, equals, text = (part.strip() for part in word.partition("="))
        if not equals or not text or not re.fullmatch(NAME_PATTERN, name):
            raise Misuse(
                f"`{written(word)}`",
                expected="`NAME=VALUE`, such as `work_order=WO-000123`; `*` in a value stands for anything",
            )
        found[name, text] = None
    return tuple(found)


def _moment(text: str, said: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as fault:
        raise Misuse(f"`{said}`", expected="a date or a time in ISO 8601 form, such as 2026-03-02T08:00") from fault
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
