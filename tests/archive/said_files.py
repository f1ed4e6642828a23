"""A pile of records of a line that says which unit it is: by a UART that shares nothing with the decoder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from wavewright.archive.answer import ItemAnswer
from wavewright.archive.query import Query
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.waveform import Waveform

BAUD, PER_BIT = 9600, 20
HIGH, LOW = 100, -100  # codes
STRETCHED, CUT_OFF, WRONG = 7, 3, 5  # files with half the rate and another scale, half a file, a bit that is not sent


def said(number: int) -> str:
    return f"unit {number:02}: closed"


def bits(text: str) -> list[int]:
    """A start bit, eight from the lowest on, a stop bit (TIA/EIA-404-B; from memory); idle before and after."""
    frames = [[0, *(byte >> place & 1 for place in range(8)), 1] for byte in text.encode()]
    return [1] * 20 + [bit for frame in frames for bit in frame] + [1] * 20


def codes(number: int, *, per_bit: int = PER_BIT) -> np.ndarray[Any, np.dtype[np.int8]]:
    sent = bits(said(number))
    if number == WRONG:
        sent[-21] = 0  # the stop bit of the last character
    return np.repeat(np.where(np.array(sent) == 1, HIGH, LOW).astype(np.int8), per_bit)


def made_files(folder: Path, count: int) -> list[Path]:
    """So many files; see above which of them are unlike the others."""
    folder.mkdir(parents=True)
    paths = []
    for number in range(count):
        paths.append(folder / f"unit{number:03}.npz")
        slow = number == STRETCHED
        wave = Waveform(
            codes(number, per_bit=PER_BIT // 2) if slow else codes(number),
            gain=0.02 if slow else 0.01,
            offset=0.5 if slow else 1.5,
            interval=(2 if slow else 1) / BAUD / PER_BIT,
            name="tx",
            code_range=(-128, 127),
        )
        write_waveforms(paths[-1], {"tx": wave})
        if number == CUT_OFF:
            paths[-1].write_bytes(paths[-1].read_bytes()[:300])
    return paths


@dataclass(frozen=True)
class Several:
    """Queries under names; an item is `name path`."""

    queries: Mapping[str, Query]
    columns: Mapping[str, type] | None = None

    def words(self) -> Mapping[str, Any]:
        return {name: one.words() for name, one in self.queries.items()}

    def check(self) -> None:
        for one in self.queries.values():
            one.check()

    def stamp(self, item: str) -> str:
        name, _, path = item.partition(" ")
        return self.queries[name].stamp(path)

    def answer(self, item: str) -> ItemAnswer:
        name, _, path = item.partition(" ")
        return replace(self.queries[name].answer(path), item=item)

    def close(self) -> None:
        for one in self.queries.values():
            one.close()
