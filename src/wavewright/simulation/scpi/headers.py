"""Command headers by the rules of SCPI-99 volume 1, 6.2: short and long forms, optional nodes, numeric suffixes.

A pattern is written as the standard prints it: `SENSe<n>:VOLTage[:DC]:RANGe:PTPeak`, `TRACe|DATA[:DATA]`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from wavewright.errors import Misuse
from wavewright.simulation.scpi.faults import ScpiFault

T = TypeVar("T")
_NODE = re.compile(r"(?P<long>[A-Za-z]\w*)(?P<suffix><n>)?$")
_SUFFIXED = re.compile(r"(?P<name>.*?[A-Z_])(?P<number>\d+)$")


def short_form(mnemonic: str) -> str:
    """The short form: what stands in capitals in the standard's way of writing."""
    return "".join(mark for mark in mnemonic if not mark.islower())


def forms(mnemonic: str) -> tuple[str, str]:
    """The two legal spellings of a mnemonic, in capitals; nothing between them is legal."""
    return short_form(mnemonic), mnemonic.upper()


@dataclass(slots=True)
class _Branch(Generic[T]):
    takes_suffix: bool = False
    below: dict[str, _Branch[T]] = field(default_factory=dict)
    entry: T | None = None
    has_entry: bool = False


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
                branches = [self._step_down(branch, word, node) for branch in branches for word in _words(node)]
            for branch in branches:
                if branch.has_entry and branch.entry is not entry:
                    raise Misuse(f"header `{pattern}` can be read as one that is entered already")
                branch.entry, branch.has_entry = entry, True
        self._patterns[pattern] = entry

    @staticmethod
    def _step_down(branch: _Branch[T], word: str, node: str) -> _Branch[T]:
        found = _node(word)
        short, long = forms(found["long"])
        below = branch.below.get(long) or _Branch()
        below.takes_suffix = below.takes_suffix or "<n>" in node
        branch.below[long] = branch.below[short] = below
        return below

    def find(self, mnemonics: Sequence[str]) -> tuple[T, tuple[int, ...]]:
        """The entry of a header in capitals, and the numbers of the nodes that take one (1 where none was sent).

        Raises
        ------
        ScpiFault : −113 for a header that is not there, −114 for a number on a node that takes none.
        """
        branch, numbers = self._root, []
        for mnemonic in mnemonics:
            name, number = mnemonic, None
            if mnemonic not in branch.below and (found := _SUFFIXED.match(mnemonic)):
                name, number = found["name"], int(found["number"])
            if name not in branch.below:
                raise ScpiFault(-113, ":".join(mnemonics))
            branch = branch.below[name]
            if branch.takes_suffix:
                numbers.append(1 if number is None else number)
            elif number not in (None, 1):
                raise ScpiFault(-114, ":".join(mnemonics))
        if not branch.has_entry:
            raise ScpiFault(-113, ":".join(mnemonics))
        return branch.entry, tuple(numbers)  # type: ignore[return-value]  # has_entry says that it is a T

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
        raise Misuse(f"`{word}` is not a node of a SCPI header", expected="letters, and `<n>` behind them at most")
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
