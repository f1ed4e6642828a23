"""A column of words that come again and again: each word once, and a number per row."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.int32]


class WordList:
    """Words by number, in the order in which they came; it only grows, so that a number keeps its word."""

    def __init__(self) -> None:
        self.words: list[str] = []
        self._numbers: dict[str, int] = {}

    def numbers(self, words: Iterable[str]) -> Numbers:
        """The number of each word; new ones are taken in."""
        found = []
        for word in words:
            number = self._numbers.get(word)
            if number is None:
                number = self._numbers[word] = len(self.words)
                self.words.append(word)
            found.append(number)
        return np.array(found, dtype=np.int32)

    def number(self, word: str) -> int:
        """The number of one word; -1 where no row has it."""
        return self._numbers.get(word, -1)

    def meant_by(self, pattern: str) -> Numbers:
        """The numbers of the words that a pattern means; `*` stands for anything. -1 is that of none."""
        if "*" not in pattern:
            return np.array([self.number(pattern)], dtype=np.int32)
        form = re.compile(".*".join(re.escape(part) for part in pattern.split("*")), re.DOTALL)
        return np.array([at for at, word in enumerate(self.words) if form.fullmatch(word)], dtype=np.int32)
