"""Any query, with the most memory that its process has had in the answer."""

from __future__ import annotations

import gc
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from wavewright.archive.answer import ItemAnswer
from wavewright.archive.query import Query


@dataclass(frozen=True)
class Weighed:
    """The query `of`, whose documents become the resident memory before and the most there was, bytes (proc(5))."""

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
        gc.collect()
        Path("/proc/self/clear_refs").write_text("5")  # forget the peak of before
        before = _memory("VmRSS")
        found = self.of.answer(item)
        return replace(found, rows=(), document=[before, _memory("VmHWM")])

    def close(self) -> None:
        self.of.close()


def _memory(name: str) -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(f"{name}:"))
