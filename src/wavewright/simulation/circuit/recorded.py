"""A voltage that somebody recorded, played again and again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import ClassVar

import numpy as np
from pydantic import Field

from wavewright.errors import Misuse
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.quantity_fields import Seconds
from wavewright.grammar.word_fields import LocatedText
from wavewright.simulation.circuit.drivers import DrivenEntry, Driver
from wavewright.simulation.circuit.motion import Floats, Motion, polyline
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.surroundings import Load

MOST_POINTS = 4_000_000


class RecordedEntry(DrivenEntry):
    """Two columns of a text file: seconds and volts."""

    file: LocatedText = Field(
        description="text file beside the board file with two columns, seconds and volts, separated by commas; lines "
        "that begin with # and a line of headings are skipped",
        examples=["start_up.csv"],
    )
    every: Seconds | None = Field(
        default=None, description="time from one beginning to the next; at once if left out", examples=["100 ms"]
    )


@node_kind("recorded")
class Recorded:
    """A voltage out of a file, played again and again: straight lines between the points, its last level in a pause."""

    entry: ClassVar[type[NodeEntry]] = RecordedEntry

    def __init__(self, making: NodeContext[RecordedEntry]) -> None:
        entry = making.entry
        times, volts = _read(Path(making.folder, entry.file), entry.file)
        self._times, self._volts = times - times[0], volts
        step = float(np.median(np.diff(self._times)))
        lasts = float(self._times[-1]) + step
        self._every = lasts if entry.every is None else entry.every
        if self._every < lasts:
            where = place_of(entry.file) or ""
            raise Misuse(f"the record lasts {lasts:g} s", where=where, expected="`every` of at least that")
        self._driver = Driver(making)

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The record, as often as it is begun."""
        del memory
        first, last = math.floor(start / self._every) - 1, math.floor(end / self._every) + 1
        last = min(last, first + max(2, MOST_POINTS // self._times.size))
        begins = np.arange(first, last) * self._every
        within, volts = np.append(self._times, self._every), np.append(self._volts, self._volts[-1])
        times = np.maximum.accumulate((begins[:, None] + within[None, :]).ravel())
        return self._driver.motion(polyline(times, np.tile(volts, begins.size)), start, load)

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """Lowest and highest value of the file, and 0 V without power."""
        del start, end
        return min(0.0, float(self._volts.min())), max(0.0, float(self._volts.max()))

    def truth(self) -> Mapping[str, float]:
        """The extremes."""
        return {"minimum": float(self._volts.min()), "maximum": float(self._volts.max())}

    def quiet_until(self, moment: float) -> float:
        """Never quiet while it is powered."""
        return self._driver.quiet_until(moment)


def _read(path: Path, name: str) -> tuple[Floats, Floats]:
    where = place_of(name) or ""
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeError) as fault:
        raise Misuse(f"{path} cannot be read: {fault}", where=where, expected="a text file of numbers") from fault
    rows = [line for line in lines if line.strip() and not line.lstrip().startswith("#")]
    if rows and not _is_number(rows[0].split(",")[0]):
        rows = rows[1:]
    try:
        table = np.loadtxt(rows, delimiter=",", ndmin=2, usecols=(0, 1))
    except (ValueError, IndexError) as fault:
        raise Misuse(f"{path}: {fault}", where=where, expected="two numbers per line, seconds and volts") from fault
    times, volts = table[:, 0], table[:, 1]
    if times.size < 2 or not (np.isfinite(table).all() and (np.diff(times) > 0).all()):
        what = f"{path} has {times.size} points"
        raise Misuse(what, where=where, expected="at least 2, finite, with ascending times")
    return times, volts


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
