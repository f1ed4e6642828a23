"""Command headers by the rules of SCPI-99 volume 1, 6.2: short and long forms, optional nodes, numeric suffixes.

A pattern is written as the standard prints it: `SENSe<n>:VOLTage[:DC]:RANGe:PTPeak`, `TRACe|DATA[:DATA]`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from wavewright.errors import Misuse
from wavewright.simulation.scpi.error_queue import ScpiError

T = TypeVar("T")
_NODE = re.compile(r"(?P<long>[A-Za-z]\w*)(?P<suffix><n>)?$")
_SUFFIXED = re.compile(r"(?P<name>.*?[A-Z_])(?P<number>\d+)$")


def short_form(mnemonic: str) -> str:
    """The short form: what is in capitals in the standard's way of writing."""
    return "".join(mark for mark in mnemonic if not mark.islower())


def forms(mnemonic: str) -> tuple[str, str]:
    """The two legal spellings of a mnemonic, in capitals; nothing between them is legal."""
    return short_form(mnemonic), mnemonic.upper()


@dataclass(slots=True)
class _Branch(Generic[T]):
    below: dict[str, _Branch[T]] = field(default_factory=dict)
    entry: tuple[T, tuple[bool, ...]] | None = None  # with it, for each node of the way here, whether it takes a number


class HeaderTree(Generic[T]):
    """Entries by header pattern, found again under each legal spelling of it."""

    def __init__(self) -> None:
        self._root: _Branch[T] = _Branch()
        self._patterns: dict[str, T] = {}

    def enter(self, pattern: str, entry: T) -> None:
        """Enter a pattern. Two patterns that share a spelling are a mistake of whoever wrote the table."""
        for path in _spelled_out(pattern):
            branches = [self._root]
            for node in path:
                branches = [self._step_down(branch, word) for branch in branches for word in _words(node)]
            for branch in branches:
                if branch.entry is not None and branch.entry[0] is not entry:
                    raise Misuse(f"header `{pattern}` can be read as one that is entered already")
                branch.entry = entry, tuple(node.endswith("<n>") for node in path)
        self._patterns[pattern] = entry

    @staticmethod
    def _step_down(branch: _Branch[T], word: str) -> _Branch[T]:
        short, long = forms(_node(word)["long"])
        below = branch.below.get(long) or _Branch()
        branch.below[long] = branch.below[short] = below
        return below

    def find(self, mnemonics: Sequence[str]) -> tuple[T, tuple[int, ...]]:
        """The entry of a header in capitals, and the numbers of the nodes that take one (1 where none was sent).

        Raises
        ------
        ScpiError : −113 for a header that is not there, −114 for a number on a node that takes none.
        """
        branch = self._root
        numbers: list[int | None] = []
        for mnemonic in mnemonics:
            name, number = mnemonic, None
            if mnemonic not in branch.below and (found := _SUFFIXED.match(mnemonic)):
                name, number = found["name"], int(found["number"])
            if name not in branch.below:
                raise ScpiError(-113, ":".join(mnemonics))
            branch = branch.below[name]
            numbers.append(number)
        if branch.entry is None:
            raise ScpiError(-113, ":".join(mnemonics))
        entry, takes_number = branch.entry
        if any(number not in (None, 1) for number, takes in zip(numbers, takes_number, strict=True) if not takes):
            raise ScpiError(-114, ":".join(mnemonics))
        sent = zip(numbers, takes_number, strict=True)
        return entry, tuple(1 if number is None else number for number, takes in sent if takes)

    def patterns(self) -> dict[str, T]:
        """Every pattern that was entered, with its entry."""
        return dict(self._patterns)


def _spelled_out(pattern: str) -> Iterator[tuple[str, ...]]:
    """The node sequences that a pattern stands for, with and without each optional part."""
    opening = pattern.find("[")
    if opening < 0:
        yield tuple(node for node in pattern.split(":") if node)
        return
    depth = 0
    for closing in range(opening, len(pattern)):
        depth += {"[": 1, "]": -1}.get(pattern[closing], 0)
        if depth == 0:
            break
    before, inside, after = pattern[:opening], pattern[opening + 1 : closing], pattern[closing + 1 :]
    yield from _spelled_out(f"{before}{inside}{after}")
    yield from _spelled_out(f"{before}{after}")


def _words(node: str) -> list[str]:
    suffix = "<n>" if node.endswith("<n>") else ""
    return [word.removesuffix("<n>") + suffix for word in node.split("|")]


def _node(word: str) -> re.Match[str]:
    found = _NODE.match(word)
    if not found:
        raise Misuse(f"`{word}` is not a node of a SCPI header", expected="letters, followed by `<n>` at most")
    return found


def full_header(pattern: str, numbers: Sequence[int]) -> str:
    """A header that can be sent: the short forms of all nodes that must be there, numbers filled in.

    >>> full_header("SENSe<n>:VOLTage[:DC]:RANGe:PTPeak", (2,))
    'SENS2:VOLT:RANG:PTP'
    """
    shortest = min(_spelled_out(pattern), key=len)
    left = list(numbers)
    nodes = []
    for node in shortest:
        word = _words(node)[0]
        number = str(left.pop(0)) if word.endswith("<n>") and left else ""
        nodes.append(short_form(word.removesuffix("<n>")) + number)
    return ":".join(nodes)
