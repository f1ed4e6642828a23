"""Several queries in one message, and their answers taken apart again: IEEE 488.2-1992, 7.3 and 8.3 (clauses †).

A program message may hold several units, joined by `;`; the answers to its queries come as one response message, joined
by `;` as well. A header after a `;` continues the path of the one before it, unless it begins with `:` or is a common
one, so each is sent from the root.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from wavewright.errors import BadAnswer
from wavewright.instruments.scpi import shorten

MOST_BYTES = 1000  # of a message; less than the input buffer of any instrument that takes several units: no source
_QUOTES = "\"'"


@dataclass(frozen=True, slots=True)
class QueryUnit:
    """One query, and what its answer means.

    Parameters
    ----------
    read : turns the answer into a value; raises BadAnswer for one that cannot be its answer.
    before : messages that go out before the query, which is then one of its own.
    is_of_status : reading the answer clears what it says, so it is lost with a damaged answer.
    takes_rest : its answer may hold a `;` outside a string; it must stand last.
    """

    text: str
    read: Callable[[str], Any]
    before: tuple[str, ...] = ()
    is_of_status: bool = False
    takes_rest: bool = False

    @property
    def is_alone(self) -> bool:
        """Whether it needs a message of its own."""
        return bool(self.before) or ";" in self.text


def messages_of(units: Sequence[QueryUnit], *, most_bytes: int = 0) -> Iterator[tuple[QueryUnit, ...]]:
    """The units, in order, in as few messages as they fit into.

    Parameters
    ----------
    most_bytes : that the instrument takes, terminator included; 0: it states no limit.
    """
    room = min(most_bytes - 2, MOST_BYTES) if most_bytes else MOST_BYTES
    group: list[QueryUnit] = []
    for unit in units:
        if group and (unit.is_alone or group[-1].is_alone or len(joined([*group, unit])) > room):
            yield tuple(group)
            group = []
        group.append(unit)
    if group:
        yield tuple(group)


def joined(units: Sequence[QueryUnit]) -> str:
    """The message that holds these units.

    Examples
    --------
    >>> joined([QueryUnit("INPut1:COUPling?", str), QueryUnit("TRIGger:LEVel?", str), QueryUnit("*ESR?", str)])
    'INPut1:COUPling?;:TRIGger:LEVel?;*ESR?'
    """
    first, *rest = (unit.text for unit in units)
    return ";".join((first, *(text if text.startswith(("*", ":")) else f":{text}" for text in rest)))


def separated(answer: str, units: Sequence[QueryUnit]) -> list[Any]:
    """The value of each unit, from the answers in one message.

    Raises
    ------
    BadAnswer : fewer or more answers than queries, a string without its end, or an answer that cannot be read.

    Examples
    --------
    >>> separated('DC;0,"a;b";0', [QueryUnit("A?", str), QueryUnit("B?", str), QueryUnit("*ESR?", int)])
    ['DC', '0,"a;b"', 0]
    """
    parts: list[str] = []
    most = len(units) - 1 if units[-1].takes_rest else len(answer)
    begin, quote = 0, ""
    for place, sign in enumerate(answer):
        if quote:
            quote = "" if sign == quote else quote
        elif sign in _QUOTES:
            quote = sign
        elif sign == ";" and len(parts) < most:
            parts.append(answer[begin:place])
            begin = place + 1
    parts.append(answer[begin:])
    if quote and not units[-1].takes_rest:
        raise BadAnswer(f"`{shorten(answer)}` ends within a string", expected=f"the {quote} that ends it")
    if len(parts) != len(units):
        raise BadAnswer(
            f"`{shorten(answer)}` holds {len(parts)} answers",
            expected=f"{len(units)}, as many as there are queries in the message",
        )
    try:
        return [unit.read(part) for unit, part in zip(units, parts, strict=True)]
    except BadAnswer:
        with suppress(BadAnswer):  # then none of it can be believed
            for unit, part in reversed([*zip(units, parts, strict=True)]):
                if unit.is_of_status:  # what it says is cleared by now
                    unit.read(part)
        raise
