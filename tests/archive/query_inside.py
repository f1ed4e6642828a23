"""A query that has another inside, and answers as that does; whoever extends it adds to the answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from wavewright.archive.answer import ItemAnswer
from wavewright.archive.query import Query


@dataclass(frozen=True)
class QueryInside:
    """The query `of`."""

    of: Query

    @property
    def columns(self) -> Mapping[str, type]:
        return self.of.columns

    def words(self) -> Mapping[str, Any]:
        return self.of.words()

    def check(self) -> None:
        self.of.check()

    def stamp(self, item: str) -> str:
        return self.of.stamp(item)

    def answer(self, item: str) -> ItemAnswer:
        return self.of.answer(item)

    def close(self) -> None:
        self.of.close()
