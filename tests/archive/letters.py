"""A query that costs nothing: how long is a word; some words have a fault."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from wavewright.archive.answer import ItemAnswer
from wavewright.errors import FileFault, StorageFault


@dataclass
class Letters:
    """`bad…` is a fault of the word, `away…` of the place, `gone…` a file that is missing there, `wrong…` a defect."""

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
            name = hashlib.sha256(item.encode()).hexdigest()
            raise StorageFault(f"no answer from {name[:2]}/{name}.h5", where="the store")
        if item.startswith("gone"):
            raise StorageFault("the captures are missing", where=f"codes/{item}")
        if item.startswith("wrong"):
            raise ZeroDivisionError("one over nothing")
        rows = ({"word": item, "letters": len(item), "share": 1 / len(item)},)
        return ItemAnswer(item, rows=rows, document={"letters": len(item)}, stamp=self.stamp(item))

    def close(self) -> None:
        """Nothing is open."""
