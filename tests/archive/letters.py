"""A query that costs nothing: how long is a word; some words have a fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from wavewright.archive.answer import ItemAnswer
from wavewright.errors import FileFault, StorageFault


@dataclass
class Letters:
    """`bad…` is a fault of the word, `away…` one of the place, `wrong…` a defect of ours."""

    stamps: dict[str, str] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    columns: Mapping[str, type] = field(default_factory=lambda: {"word": str, "letters": int, "share": float,
                                                                 "fault": str})  # fmt: skip

    def words(self) -> Mapping[str, Any]:
        return {"asked": "letters"}

    def check(self) -> None:
        """Nothing is needed."""

    def stamp(self, item: str) -> str:
        return self.stamps.get(item, "")

    def answer(self, item: str) -> ItemAnswer:
        self.asked.append(item)
        if item.startswith("bad"):
            raise FileFault("not a word", where=item)
        if item.startswith("away"):
            raise StorageFault("the store is away")
        if item.startswith("wrong"):
            raise ZeroDivisionError("one over nothing")
        rows = ({"word": item, "letters": len(item), "share": 1 / len(item)},)
        return ItemAnswer(item, rows=rows, document={"letters": len(item)}, stamp=self.stamp(item))

    def close(self) -> None:
        """Nothing is open."""
