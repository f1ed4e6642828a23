"""Any query, with the most memory that its process has had in the answer."""

from __future__ import annotations

import gc
from dataclasses import replace
from pathlib import Path

from tests.archive.query_inside import QueryInside
from wavewright.archive.answer import ItemAnswer


class Weighed(QueryInside):
    """The query `of`, whose documents become the resident memory before and the most there was, bytes (proc(5))."""

    def answer(self, item: str) -> ItemAnswer:
        gc.collect()
        Path("/proc/self/clear_refs").write_text("5")  # forget the peak of before
        before = _memory("VmRSS")
        found = self.of.answer(item)
        return replace(found, rows=(), document=[before, _memory("VmHWM")])


def _memory(name: str) -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(f"{name}:"))
